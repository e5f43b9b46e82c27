"""A register for a phone to talk to, with what a first installation needs."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any
from uuid import uuid4

from tests.walk.served import PASSWORD, Phone, Served, served

V1 = "/api/v1"


@dataclass
class Yard:
    """A register with a depot, a cabinet model, a product, and two people."""

    register: Served
    hester: Phone
    depot: str
    model: str
    product: str

    def cabinet(self, tag: str, **more: Any) -> dict[str, Any]:
        """Return the wish to register a cabinet in the depot, which the phone names."""
        body = {
            "id": str(uuid4()),
            "model": self.model,
            "asset_tag": tag,
            "setting": "indoor",
            "depot": self.depot,
            "valid_from": "2026-11-20T08:00:00Z",
        }
        return {"path": f"{V1}/cabinets/", "body": body | more, "words": f"register {tag}"}

    def split(self, cabinet: dict[str, Any], words: str = "split") -> dict[str, Any]:
        """Return the wish to split a cabinet that the phone made."""
        key = cabinet["body"]["id"]
        body = {"valid_from": "2026-11-21T08:00:00Z", "shares": [{"product": self.product, "share": "100"}]}
        return {"path": f"{V1}/cabinets/{key}/split/", "body": body, "words": words, "thing": key}

    def tags(self) -> list[str]:
        """Return the asset tags in the register."""
        return [row["asset_tag"] for row in self.hester.get(f"{V1}/cabinets/?page_size=200").body["results"]]

    def entries_about(self, cabinet: dict[str, Any]) -> list[tuple[str, str]]:
        """Return the verbs and faces of the ledger's entries about a cabinet, oldest first."""
        key = cabinet["body"]["id"]
        rows = self.hester.get(f"{V1}/entries/?about={key}&page_size=200").body["results"]
        return sorted((row["index"], row["verb"], row["face"]) for row in rows)


@contextmanager
def open_yard() -> Iterator[Yard]:
    """Found a register and serve it."""
    with served("sqlite") as register:
        hester = register.phone("hester")
        depot = hester.post(f"{V1}/depots/", {"code": "TM", "name": "Tarnmouth"}).body["id"]
        model = hester.post(f"{V1}/cabinet-models/", {"name": "Cove 3", "sensor_count": 3}).body["id"]
        product = hester.post(
            f"{V1}/products/", {"code": "8", "name": "8 lb", "net_mass": "8", "net_mass_unit": "lb"}
        ).body["id"]
        hester.post(
            f"{V1}/staff/",
            {"username": "wren", "name": "Wren", "password": PASSWORD, "role": "installer",
             "depots": [depot], "everywhere": False},
        )  # fmt: skip
        yield Yard(register, hester, depot, model, product)
