"""The agent for boards, served to whoever asks: code, no secret. `package.json` is what MicroPython's mip reads.

The address of a file holds its own SHA-256, so an installation under way never mixes two releases.
"""

import hashlib
from typing import Any, Final

from flask import Blueprint, Response, abort, jsonify

from benchworthy.designs import agent_release

blueprint = Blueprint("agent", __name__)
_PACKAGE: Final = "lib/"
MAIN: Final = "main.py"


@blueprint.get("/agent/package.json")
def package() -> Any:
    """The released files for `mip install`, which puts them below its target, `lib`; and what `main.py` must be."""
    release = agent_release.current()
    files = sorted(path for path in release.files if path.startswith(_PACKAGE))
    urls = [[path.removeprefix(_PACKAGE), f"files/{release.files[path]}/{path}"] for path in files]
    return jsonify(
        {
            "version": release.version,
            "urls": urls,
            "deps": [],
            "release": release.hash,
            "main": [MAIN, f"files/{release.files[MAIN]}/{MAIN}"],
        }
    )


@blueprint.get("/agent/files/<digest>/<path:path>")
def file(digest: str, path: str) -> Response:
    """One released file, by its SHA-256 and its path on the board; anything else does not exist."""
    content = agent_release.sources().get(path)
    if content is None or hashlib.sha256(content).hexdigest() != digest:
        abort(404, "No released file of the agent has this path and hash.")
    return Response(content, mimetype="text/plain; charset=utf-8")
