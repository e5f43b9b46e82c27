"""The places outside this machine to which checkpoints go: a folder, and an address on the web."""

import json
import os
import secrets
from base64 import b64encode
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from urllib.error import URLError
from urllib.parse import unquote, urlsplit, urlunsplit
from urllib.request import HTTPRedirectHandler, Request, build_opener

from django.conf import settings

from registry.models import Checkpoint
from registry.queries.checkpoints import shown_address
from registry.rules.checkpoints import FILE_BYTES_MAX

# Whoever wrote the entry waits for it, so an address that is down may not take long.
ANSWER_WAIT_S = 5


@dataclass(frozen=True, slots=True)
class Place:
    """A place outside: its name, and how a checkpoint is brought there.

    `take` returns what went wrong, in a sentence, or blank. Where one fails at an `is_remote` place, so
    would the next, each after its wait.
    """

    name: str
    take: Callable[[Checkpoint], str]
    is_remote: bool


def places() -> list[Place]:
    """Return the places that the settings name."""
    found = []
    if folder := settings.CHECKPOINT_FOLDER:
        found.append(Place(folder, lambda checkpoint: _to_folder(Path(folder), checkpoint), False))
    if address := settings.CHECKPOINT_ADDRESS:
        found.append(Place(shown_address(address), lambda checkpoint: _to_address(address, checkpoint), True))
    return found


def file_name(size: int) -> str:
    """Return the name of a checkpoint's file: by name they stand in the order of their sizes."""
    return f"checkpoint-{size:012d}.json"


def as_text(checkpoint: Checkpoint) -> str:
    """Return the text of a checkpoint's file."""
    return json.dumps(checkpoint.as_signed().as_json(), indent=2) + "\n"


def _to_folder(folder: Path, checkpoint: Checkpoint) -> str:
    """Write a checkpoint's file whole or not at all; one that stands there is never overwritten."""
    path = folder / file_name(checkpoint.size)
    if not folder.is_dir():
        return "There is no such folder. Make it, or mount what it stands for."
    fresh = folder / f".{path.name}-{secrets.token_hex(8)}"
    try:
        fresh.write_text(as_text(checkpoint))
        try:
            os.link(fresh, path)
        except FileExistsError:
            if path.read_bytes()[:FILE_BYTES_MAX] != as_text(checkpoint).encode():
                return (
                    f"Another {path.name} stands there already. Compare the two before you do anything else."
                )
        finally:
            fresh.unlink()
    except OSError as error:
        return f"It cannot be written ({error.strerror})."
    return ""


class _StayHere(HTTPRedirectHandler):
    def redirect_request(self, *_: object) -> None:
        return None


def _to_address(address: str, checkpoint: Checkpoint) -> str:
    """Post a checkpoint as JSON; any answer of success will do, and nobody is sent elsewhere."""
    headers, parts = {"Content-Type": "application/json"}, urlsplit(address)
    if parts.username:  # RFC 7617
        named = f"{unquote(parts.username)}:{unquote(parts.password or '')}"
        headers["Authorization"] = f"Basic {b64encode(named.encode()).decode()}"
    bare = urlunsplit(parts._replace(netloc=parts.netloc.rpartition("@")[2]))
    request = Request(bare, as_text(checkpoint).encode(), headers, method="POST")  # noqa: S310  web alone
    try:
        with build_opener(_StayHere).open(request, timeout=ANSWER_WAIT_S):
            return ""
    except (URLError, OSError, ValueError) as error:
        return f"It was not taken ({getattr(error, 'reason', error)})."
