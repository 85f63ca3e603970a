"""Who does it, for commands that write on the service's own machine without a token."""

import argparse
import re
from typing import Final

from benchworthy.errors import RequestInvalid

_CODE: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,31}")


def argument(parser: argparse.ArgumentParser, *, required: bool) -> None:
    parser.add_argument(
        "--by", metavar="CODE", required=required, help="your code, as it is to stand in the ledger; never a name"
    )


def code(options: argparse.Namespace) -> str:
    """Raises RequestInvalid."""
    given = str(options.by or "")
    if _CODE.fullmatch(given) is None:
        raise RequestInvalid(f"--by is {given!r}; it is your code: letters, digits, dot, dash and underscore, at most 32.")
    return given
