"""A board in the middle of its build, judged by what can be there: the sheet without what later stages bring.

Only the sets of stages are judged by it, and none of them certifies; so nothing here weakens a certificate.
"""

import dataclasses
from collections.abc import Mapping

from benchworthy.designs.sheet import Pattern, Quantity, Sheet, Stage, Test, stage_of


def as_built(sheet: Sheet, test_set: str) -> Sheet:
    """The sheet for a run of this set; the sheet itself for any set but a stage's."""
    stage = sheet.stages.get(stage_of(test_set) or 0)
    if stage is None:
        return sheet
    tests = {name: _test(test, stage.instead[name]) if name in stage.instead else test for name, test in sheet.tests.items()}
    patterns = {name: _without(sheet.tests[name], rows, stage) for name, rows in sheet.patterns.items()}
    return dataclasses.replace(sheet, tests=tests, patterns=patterns)


def _test(test: Test, instead: Mapping[str, float | None]) -> Test:
    kept = [quantity for quantity in test.quantities if instead.get(quantity.name, 0.0) is not None]
    return dataclasses.replace(test, quantities=tuple(_quantity(quantity, instead) for quantity in kept))


def _quantity(quantity: Quantity, instead: Mapping[str, float | None]) -> Quantity:
    exact = instead.get(quantity.name)
    if exact is None:
        return quantity
    return dataclasses.replace(quantity, low=exact, high=exact, source="exact count of a board built this far")


def _without(test: Test, rows: tuple[Pattern, ...], stage: Stage) -> tuple[Pattern, ...]:
    """A pin whose parts are not there may read either way."""
    unsure = sum(1 << bit for bit, port in enumerate(test.parameters["ports"]) if port in stage.loose)
    return tuple(Pattern(row.expected & ~unsure, row.care & ~unsure) for row in rows)
