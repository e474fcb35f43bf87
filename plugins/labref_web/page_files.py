"""The page's files: read once at the start, served from memory, so that no path leads anywhere."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from importlib import resources
from importlib.resources.abc import Traversable

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

_KINDS = {
    "html": "text/html; charset=utf-8",
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
    "png": "image/png",
    "woff2": "font/woff2",
    "txt": "text/plain; charset=utf-8",
}
START = "index.html"
SITE = "site.html"


@dataclass(frozen=True, slots=True)
class PageFile:
    """One file with its type and the tag of its content."""

    body: bytes
    kind: str
    tag: str


class PageFiles:
    """All files of the folder ``page`` beside this module, by their path below it."""

    def __init__(self) -> None:
        self._files = dict(_read(resources.files("labref_web") / "page", ""))

    def response(self, request: Request, start: str = START) -> Response:
        """The file that a request names, ``start`` where it names none; 404 for anything else."""
        name = request.path_params.get("file", start)
        file = self._files.get(name)
        if file is None:
            raise HTTPException(404, "the page has no such file")
        headers = {"etag": file.tag, "cache-control": "no-cache"}
        if request.headers.get("if-none-match") == file.tag:
            return Response(status_code=304, headers=headers)
        return Response(file.body, headers={**headers, "content-type": file.kind})


def _read(folder: Traversable, before: str) -> list[tuple[str, PageFile]]:
    found: list[tuple[str, PageFile]] = []
    if not folder.is_dir():
        return found
    for item in folder.iterdir():
        if item.is_dir():
            found += _read(item, f"{before}{item.name}/")
            continue
        kind = _KINDS.get(item.name.rpartition(".")[2].lower(), "text/plain; charset=utf-8")
        body = item.read_bytes()
        tag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'
        found.append((before + item.name, PageFile(body, kind, tag)))
    return found
