"""Two kinds of boards: those with an agent, and small ones that the bench drives by snippets. One name for each thing to ask."""

from collections.abc import Mapping

from benchworthy.bench import echo as plain_echo
from benchworthy.bench import probe, snippets
from benchworthy.bench.echo import Echoed, Stamp
from benchworthy.bench.probe import BoardFile, Identity, Link
from benchworthy.errors import BoardFaulted


def identity(link: Link) -> Identity:
    """Who it is, whichever kind: a small board fails at the first question and answers the second. Raises BenchFailure."""
    try:
        return probe.identity(link)
    except BoardFaulted as fault:
        try:
            return snippets.identity(link)
        except BoardFaulted:
            raise fault from None


def files(link: Link, small: bool) -> Mapping[str, BoardFile]:
    """Every file on it."""
    return snippets.files(link) if small else probe.files(link)


def echo(link: Link, small: bool) -> Echoed:
    """Text there and back."""
    return snippets.echo(link) if small else plain_echo.echo(link)


def clock(link: Link, small: bool, seconds: int, since: Stamp | None) -> tuple[int, int]:
    """Microseconds that passed on the board and here, since an earlier stamp where there is one."""
    return snippets.clock(link, seconds) if small else plain_echo.clock(link, seconds, since)
