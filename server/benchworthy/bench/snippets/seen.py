"""What the bench sees of a board without json, hashes or a list of file sizes: identity, and the files read back whole."""

import hashlib
from typing import Final

from benchworthy.bench.probe import MOST_FILES, BoardFile, Identity, Link
from benchworthy.bench.snippets import code, wire
from benchworthy.errors import BoardFaulted

_BRIEF_S: Final = 15.0
_FILES_S: Final = 60.0


def identity(link: Link) -> Identity:
    """Ask the controller who it is. Raises BenchFailure; BoardFaulted when its firmware has no `beck`."""
    try:
        module, firmware, stand_in = wire.ask(link, code.IDENTITY, _BRIEF_S, how="exec")
    except ValueError as fault:
        raise BoardFaulted("The board's answer about itself lacks a part.", port=link.port) from fault
    except wire.NotThere as fault:
        raise BoardFaulted(f"The board does not say who it is: {fault}.", port=link.port) from fault
    text = "".join(chr(number) for number in firmware if 0x20 <= number < 0x7F)
    # Its firmware keeps no boot counter; a mark in RAM shows a reset during the run instead.
    return Identity(bytes(module).hex(), bool(stand_in and stand_in[0]), text[:64], 0, "")


def files(link: Link) -> dict[str, BoardFile]:
    """Every file on the board, read back and hashed here, sorted by name. Raises BenchFailure."""
    rows = iter(wire.ask(link, code.FILES, _FILES_S))
    found: dict[str, BoardFile] = {}
    for name in rows:
        content = bytearray()
        for row in rows:
            if not row:
                break
            content += bytes(row)
        path = "".join(chr(number) for number in name)
        found[path] = BoardFile(len(content), hashlib.sha256(content).hexdigest())
    if len(found) > MOST_FILES:
        raise BoardFaulted(f"The board holds {len(found)} files, more than {MOST_FILES}.", port=link.port)
    return dict(sorted(found.items()))
