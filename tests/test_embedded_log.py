"""The embedded broker's log is bounded, and what clients say in it stays on its line."""

import logging

from benchworthy.intake.embedded.quiet import LONGEST, LineLimit, OneLine


def record(text: str) -> logging.LogRecord:
    return logging.LogRecord("amqtt.broker", logging.WARNING, "", 0, text, (), None)


def test_a_minute_has_so_many_lines_and_the_next_says_how_many_were_left_out() -> None:
    now = [0.0]
    limit = LineLimit(3, lambda: now[0])
    assert [limit.filter(record(str(number))) for number in range(5)] == [True, True, True, False, False]
    now[0] = 61.0
    late = record("late")
    assert limit.filter(late)
    assert late.getMessage() == "late (and 2 lines before it left out)"


def test_control_characters_and_length_are_taken_from_a_line() -> None:
    said = OneLine().format(record("a\nb\x1b[31m" + "x" * 1000))
    assert "a?b?[31m" in said and "\n" not in said and len(said) < LONGEST + 60
