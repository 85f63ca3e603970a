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


def test_a_meter_with_several_quantities_is_asked_for_each_by_name() -> None:
    """Which number goes where must not be left to the order of typing."""
    operator, voice = _console("0.31\n")
    assert operator.read_meter("PRE-DIODE", "Diode range.", "D4 forward") == 0.31
    assert "PRE-DIODE, D4 forward: Diode range." in voice.getvalue()


def test_blinks_are_counted_after_the_person_looks() -> None:
    """The board blinks once, after Enter and before the question; a mistyped count makes it blink no more."""
    operator, voice = _console("\nmany\n-1\n03\n")
    before: list[str] = []
    assert operator.watch("blink", "Count.", lambda: before.append(voice.getvalue())) == "3"
    assert len(before) == 1 and "How often" not in before[0]


@pytest.mark.parametrize(
    ("procedure", "typed", "answer"),
    [
        ("tone", "\nloud\nlong-long\n", "long-long"),
        ("tone", "\nnone\n", "none"),
        ("turn", "\nleft\n\nForward  off back\n", "forward off back"),
        ("sing", "\n\nla\n", "la"),
    ],
)
def test_what_was_perceived_is_typed_in_words_that_can_be_judged(procedure: str, typed: str, answer: str) -> None:
    """Mistyped words are asked again without showing the thing again; an unknown procedure still works."""
    shown: list[int] = []
    assert _console(typed)[0].watch(procedure, "", lambda: shown.append(1)) == answer
    assert shown == [1]


def test_an_empty_scan_is_asked_again() -> None:
    """A scanner that read nothing sends only a line end."""
    assert _console("\n  \nTARN-1\n")[0].scan_label() == "TARN-1"


def test_fixtures_are_asked_for_by_kind_and_serial_number() -> None:
    """Which plug is fitted belongs to the evidence."""
    operator, voice = _console("\n\n")
    operator.fit("TP-4", "TP4-0007")
    operator.remove("TP-4")
    assert "TP-4 TP4-0007" in voice.getvalue() and "TP-4 off" in voice.getvalue()


def test_nothing_moves_before_the_word_is_typed() -> None:
    """Enter out of habit, yes, and ok do not start a motor."""
    operator, voice = _console("\nyes\nok\nCLEAR\n")
    operator.clear("Fingers away.")
    assert voice.getvalue().count("Only the word clear") == 3
    assert "Fingers away." in voice.getvalue()


def test_actions_are_asked_for_in_the_sheets_words_or_in_plain_ones() -> None:
    """Both are waited for."""
    operator, voice = _console("\n\n\n")
    operator.act("rig-held", "")
    operator.act("pull-jack", "Pull J1.")
    operator.undo("pull-jack")
    assert "switch to held" in voice.getvalue() and "Pull J1." in voice.getvalue() and "jack back" in voice.getvalue()
    operator.undo("press-key")  # nothing to put back, so nobody is asked


def test_a_list_is_answered_item_by_item() -> None:
    """Enter is good; anything else is what is wrong, no longer than a report may hold."""
    operator, _ = _console("\nleg bent at J3 " + "x" * 80 + "\n")
    answers = operator.check_list("VIS-SHORT", "Look.", ["joints", "pins"])
    assert answers["joints"] == "good" and answers["pins"].startswith("leg bent") and len(answers["pins"]) == 64


def test_nobody_there_ends_the_session() -> None:
    """With standard input closed there is no endless loop."""
    with pytest.raises(EOFError):
        _console("")[0].read_meter("X", "Y")
