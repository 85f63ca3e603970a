"""The procedures a test may name: who carries them out, since which agent version, and the steps they report."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from benchworthy.reports.report import Author

PULSE_MS, RIG_PULSE_MS = 300, 2000  # the longest a drive may last before the board ends it by itself

# What the bench can do by itself with a board too small for an agent, out of what is the board's elsewhere.
BENCH_DRIVEN = frozenset(
    ["levels", "idle", "walk", "bus_clear", "bus_scan", "bus_memory", "memory_free", "boots", "flash", "presses"]
)

_BOARD = frozenset({Author.BOARD})
_BENCH = frozenset({Author.BENCH})
_OPERATOR = frozenset({Author.OPERATOR})
_PEOPLE = frozenset({Author.OPERATOR, Author.INSPECTOR})


@dataclass(frozen=True, slots=True)
class Procedure:
    """A known procedure.

    `steps` names the steps reported for given parameters, in order. `pulse_ms` is the longest drive of one that moves
    something, None for all others. `host` marks what a program at the bench does by itself, `drawn` what is drawn for
    each run and answered by a person.
    """

    authors: frozenset[Author]
    since: str
    required: frozenset[str]
    steps: Callable[[Mapping[str, Any]], tuple[str, ...]]
    pulse_ms: int | None = None
    host: bool = False
    drawn: bool = False
    optional: frozenset[str] = field(default=frozenset())


def _named(*names: str) -> Callable[[Mapping[str, Any]], tuple[str, ...]]:
    return lambda _: names


def _listed(parameters: Mapping[str, Any]) -> tuple[str, ...]:
    return tuple(str(step["name"]) for step in parameters["steps"])


def _ports(parameters: Mapping[str, Any]) -> tuple[str, ...]:
    return tuple(parameters["ports"])


def _walk(parameters: Mapping[str, Any]) -> tuple[str, ...]:
    driven = tuple(f"{level}_{port}" for port in parameters["ports"] for level in ("one", "zero"))
    return ("all_up", "all_down", *driven)


def _outputs_off(parameters: Mapping[str, Any]) -> tuple[str, ...]:
    walked = range(len(parameters["inputs"]) + 1)
    return ("zero", "ref", *(name for k in walked for name in (f"i{k}", f"s{k}")))


def _duties(parameters: Mapping[str, Any]) -> tuple[str, ...]:
    return ("base", *(f"d{k}" for k in range(len(parameters["permille"]))), "ref")


def _portions(parameters: Mapping[str, Any]) -> tuple[str, ...]:
    return _duties(parameters)[:-1]


def _speeds(parameters: Mapping[str, Any]) -> tuple[str, ...]:
    return tuple(f"errors_{hertz}" for hertz in parameters["hertz"])


def _widths(parameters: Mapping[str, Any]) -> tuple[str, ...]:
    return (*(f"w{k}" for k in range(len(parameters["widths_us"]))), "period")


def _board(
    since: str, required: str, steps: Callable[[Mapping[str, Any]], tuple[str, ...]], pulse_ms: int | None = None
) -> Procedure:
    return Procedure(_BOARD, since, frozenset(required.split()), steps, pulse_ms)


def _bench(since: str, required: str, steps: Callable[[Mapping[str, Any]], tuple[str, ...]], pulse_ms: int) -> Procedure:
    return Procedure(_BENCH, since, frozenset(required.split()), steps, pulse_ms)


def _host(since: str, *steps: str) -> Procedure:
    return Procedure(_BENCH, since, frozenset(), _named(*steps), host=True)


def _drawn(since: str, required: str, pulse_ms: int | None = None) -> Procedure:
    return Procedure(_OPERATOR, since, frozenset(required.split()), _named(), pulse_ms, drawn=True)


PROCEDURES: Mapping[str, Procedure] = {
    "levels": _board("1.0.0", "steps", _listed),
    "idle": _board("1.0.0", "ports pull ms every_ms", _ports),
    "walk": _board("1.0.0", "ports off", _walk),
    "ratio": _board("1.0.0", "steps dac settle_ms", _listed),
    "outputs_off": _board("1.0.0", "enables inputs senses read current zero ref n", _outputs_off),
    "follows": _board("1.1.0", "enable input others sense n ms", _named("low", "high"), PULSE_MS),
    "currents": _board("1.1.0", "enable a b read current ref n every_us ms", _named("base", "forward", "back", "ref"), PULSE_MS),
    "duties": _board("1.1.0", "enable a b hertz permille read current ref n every_us ms", _duties, PULSE_MS),
    "droop": _board(
        "1.1.0", "enables highs lows read rail ref n ms", _named("rail_idle", "ref_idle", "rail_load", "ref_load"), PULSE_MS
    ),
    "stall": _board(
        "1.1.0", "enable a b read current ref n every_us ms stop", _named("base", "peak", "ref", "stopped"), PULSE_MS
    ),
    "coast": _board("1.1.0", "enable a b ms switch read above n every_us", _named("start", "above"), RIG_PULSE_MS),
    "bus_clear": _board("1.1.0", "data clock", _named("clocks")),
    "bus_scan": _board("1.1.0", "data clock hertz", _named("count", "lowest", "highest")),
    "bus_memory": _board("1.1.0", "data clock address size times hertz", _speeds),
    "bus_rise": _board("1.1.0", "ports n", _ports),
    "servo": _board("1.1.0", "out loop widths_us n", _widths),
    "memory_free": _board("1.1.0", "", _named("free")),
    "boots": _board("1.1.0", "", _named("resets")),
    "flash": _board("1.1.0", "bytes", _named("free", "mismatches")),
    "presses": _board("1.1.0", "port lamp count ms", _named("bounce", "presses")),
    "radio_level": _board("1.1.0", "n", _named("dbm")),
    "radio_echo": _board("1.1.0", "n", _named("lost", "round_trip")),
    # One switch without an enable or a driver of its own, on boards that the bench drives.
    "switched": _bench("1.1.0", "out read n every_us ms", _named("base", "on"), PULSE_MS),
    "portions": _bench("1.1.0", "out hertz permille read n every_us ms", _portions, PULSE_MS),
    "identity": _host("1.0.0"),
    "files": _host("1.0.0"),
    "port": _host("1.1.0", "appear_us", "new_ports", "text_matches"),
    "echo": _host("1.1.0", "bytes_per_s", "errors"),
    "wiggle": _host("1.1.0", "drops"),
    "clock": _host("1.1.0", "board_us", "host_us"),
    "recharge": _host("1.1.0", "boots_more", "uptime_went_on"),
    "blink": _drawn("1.0.0", "port least most"),
    "dark": _drawn("1.1.0", "ports"),
    "tone": _drawn("1.1.0", "port patterns"),
    "turn": _drawn("1.1.0", "enable a b words ms", RIG_PULSE_MS),
    "meter": Procedure(_OPERATOR, "1.0.0", frozenset(), _named()),
    "checklist": Procedure(_PEOPLE, "1.0.0", frozenset({"items"}), _named()),
}
