"""The console asks again until an answer is one."""

import io

import pytest

from benchworthy.bench.people import ConsoleOperator


def _console(typed: str) -> tuple[ConsoleOperator, io.StringIO]:
    voice = io.StringIO()
    return ConsoleOperator(io.StringIO(typed), voice), voice


def test_a_bad_number_is_explained_and_asked_again() -> None:
    """Words, infinities and empty lines are no meter reading; a decimal comma is."""
    operator, voice = _console("three\nnan\n\ninf\n3,301\n")
    assert operator.read_meter("PWR-DMM33", "Meter on TP3.") == 3.301
    assert voice.getvalue().count("is no number") == 4
    assert voice.getvalue().count("PWR-DMM33: Meter on TP3.") == 5


def test_blinks_are_counted_after_the_person_looks() -> None:
    """The board blinks once, after Enter and before the question; a mistyped count makes it blink no more."""
    operator, voice = _console("\nmany\n-1\n03\n")
    before: list[str] = []
    assert operator.count_blinks(lambda: before.append(voice.getvalue())) == "3"
    assert len(before) == 1 and "How often" not in before[0]


def test_an_empty_scan_is_asked_again() -> None:
    """A scanner that read nothing sends only a line end."""
    assert _console("\n  \nTARN-1\n")[0].scan_label() == "TARN-1"


def test_the_plug_is_asked_for_by_its_serial_number() -> None:
    """Which plug is fitted belongs to the evidence."""
    operator, voice = _console("\n\n")
    operator.fit_plug("TP4-0007")
    operator.remove_plug()
    assert "TP4-0007" in voice.getvalue() and "off" in voice.getvalue()


def test_nobody_there_ends_the_session() -> None:
    """With standard input closed there is no endless loop."""
    with pytest.raises(EOFError):
        _console("")[0].read_meter("X", "Y")
