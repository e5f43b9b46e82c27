"""What a phone keeps of the page: the shell, its files by one version, and how it is installed.

The shell holds no data and nobody's name, so that one copy serves everybody and may lie on the phone.
"""

import hashlib
import json
from functools import cache
from pathlib import Path

from csp.decorators import csp_update
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.template.loader import render_to_string
from django.templatetags.static import static
from django.urls import reverse
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_safe

FOLDER = Path(__file__).resolve().parents[1] / "static" / "registry"
WORKER = FOLDER / "field" / "service_worker.js"
# What the page loads; licences and notes lie beside it and stay on the server.
LOADED = {".js", ".css", ".wasm", ".svg", ".png"}
SHELL = "field/shell.html"
VERSION_LENGTH = 16  # hexadecimal digits

# The decoder of barcodes is WebAssembly, which only this page may compile; pictures that are not sent yet
# are shown out of memory.
POLICY = {
    "script-src": ["'wasm-unsafe-eval'"],
    "img-src": ["blob:"],
    "worker-src": ["'self'"],
    "manifest-src": ["'self'"],
}


@require_safe
@csp_update(POLICY)
@cache_control(private=True, no_cache=True)
def shell(request: HttpRequest) -> HttpResponse:
    """Show the shell, to anybody: whose page it is the page asks by itself."""
    return render(request, SHELL)


@require_safe
@cache_control(private=True, no_cache=True)
def service_worker(_request: HttpRequest) -> HttpResponse:
    """Answer with the service worker, which differs when any file of the page does."""
    kept = {"version": version(), "shell": reverse("field:shell"), "files": files()}
    text = f"const KEPT = {json.dumps(kept)};\n{WORKER.read_text()}"
    return HttpResponse(text, content_type="text/javascript; charset=utf-8")


@require_safe
@cache_control(private=True, no_cache=True)
def manifest(_request: HttpRequest) -> HttpResponse:
    """Tell how the page is installed (W3C Web Application Manifest)."""
    shell_at = reverse("field:shell")
    told = {
        "id": shell_at,
        "start_url": shell_at,
        "scope": shell_at,
        "name": "Rimebook field page",
        "short_name": "Rimebook",
        "description": "The installer's day: visits, labels, installations and first readings.",
        "lang": "en",
        "dir": "ltr",
        "display": "standalone",
        "background_color": "#eef5f8",
        "theme_color": "#17323d",
        "icons": [
            {"src": static("registry/field/icon.svg"), "type": "image/svg+xml", "sizes": "any"},
            *_icon("icon-192.png", 192, "any"),
            *_icon("icon-512.png", 512, "any"),
            *_icon("icon-maskable-512.png", 512, "maskable"),
        ],
    }
    return JsonResponse(told, content_type="application/manifest+json")


def files() -> list[str]:
    """Return the addresses of what the page loads, in order."""
    return [static(f"registry/{path.relative_to(FOLDER).as_posix()}") for path in _paths()]


@cache
def version() -> str:
    """Return a digest of the shell and of all that it loads, read once a process."""
    digest = hashlib.sha256(render_to_string(SHELL).encode())
    for path in (*_paths(), WORKER):
        digest.update(path.relative_to(FOLDER).as_posix().encode() + b"\0")
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()[:VERSION_LENGTH]


def _paths() -> list[Path]:
    found = (path for path in (FOLDER / "field").rglob("*") if path.suffix in LOADED and path != WORKER)
    return [*sorted(found)]


def _icon(name: str, pixels: int, purpose: str) -> list[dict[str, str]]:
    return [
        {
            "src": static(f"registry/field/{name}"),
            "type": "image/png",
            "sizes": f"{pixels}x{pixels}",
            "purpose": purpose,
        }
    ]
