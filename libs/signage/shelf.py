"""Serves the style sheet, the script and the fonts under addresses that carry the hash of what they hold.

Owns /signage/. Never serves a file by a path from outside: everything servable is read once into a fixed table.
"""

import gzip
import hashlib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from signage.faces import FACES, Face, face_rule

_STATIC = Path(__file__).parent / "static"
# A year; the address changes with the content, so a tablet can never keep old safety text.
_FOREVER = "public, max-age=31536000, immutable"


@dataclass(frozen=True)
class Held:
    """One servable thing: its address, its bytes and the same bytes packed."""

    url: str
    content: bytes
    packed: bytes
    media_type: str


def asset(name: str) -> str:
    """The address of a style sheet, script or font by its plain name. Raises KeyError for a name not held."""
    return _shelf()[name].url


def install(app: Starlette) -> None:
    """Mount /signage/static and /signage/fonts on the app."""
    for path in ("/signage/static/{digest}/{name}", "/signage/fonts/{digest}/{name}"):
        app.router.routes.insert(0, Route(path, _serve, name="signage", include_in_schema=False))


def style_sheet() -> str:
    """The whole style sheet as served: the font faces, then filltrail.css."""
    return _shelf()["filltrail.css"].content.decode()


async def _serve(request: Request) -> Response:
    held = _shelf().get(request.path_params["name"])
    if held is None or held.url != request.url.path.removeprefix(request.scope.get("root_path", "")):
        return Response(status_code=404)
    headers = {"cache-control": _FOREVER, "vary": "accept-encoding"}
    if "gzip" in request.headers.get("accept-encoding", ""):
        return Response(
            held.packed, media_type=held.media_type, headers={**headers, "content-encoding": "gzip"}
        )
    return Response(held.content, media_type=held.media_type, headers=headers)


@lru_cache(maxsize=1)
def _shelf() -> dict[str, Held]:
    shelf = {face.name: _hold("fonts", face.name, face.path.read_bytes(), "font/ttf") for face in FACES}
    rules = "".join(face_rule(face, _from_style_sheet(shelf[face.name], face)) for face in FACES)
    sheet = rules.encode() + (_STATIC / "filltrail.css").read_bytes()
    shelf["filltrail.css"] = _hold("static", "filltrail.css", sheet, "text/css")
    for name in ("filltrail.js", "sign.js"):
        shelf[name] = _hold("static", name, (_STATIC / name).read_bytes(), "text/javascript")
    return shelf


def _from_style_sheet(held: Held, face: Face) -> str:
    digest = held.url.split("/")[3]
    return f"../../fonts/{digest}/{face.name}"


def _hold(folder: str, name: str, content: bytes, media_type: str) -> Held:
    digest = hashlib.sha256(content).hexdigest()[:16]
    return Held(f"/signage/{folder}/{digest}/{name}", content, gzip.compress(content, mtime=0), media_type)
