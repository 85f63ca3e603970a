"""What a person makes of a row of glimpses: how often a lamp lit, which tune that was, which way a disc turned."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median

from benchworthy.virtual.perception import Glimpse

SEEN_MA = 0.5  # own choice: a lamp with less current than this looks dark in a lit room
_HEARD_MA = 5.0  # own choice, for the sounder
_CHIRPS, _RISE = 4, 1.3
_LOW_HERTZ, _LONG_MS = (250.0, 600.0), 250.0
_HIGH_HERTZ, _DASH = (1500.0, 2600.0), 2.0
UNCLEAR = "unclear"


@dataclass(frozen=True, slots=True)
class _Note:
    """Sound without a pause: how long, and its frequencies in order."""

    ms: float
    hertz: tuple[float, ...]


def blinks(seen: Sequence[Glimpse], since: float | None = None, until: float | None = None) -> int:
    """How often the lamp lit, from `since` to `until` in the board's milliseconds."""
    count, lit = 0, False
    for glimpse in seen:
        now = glimpse.lamp_ma > SEEN_MA
        inside = (since is None or glimpse.ms >= since) and (until is None or glimpse.ms <= until)
        count += now and not lit and inside
        lit = now
    return count


def pattern(seen: Sequence[Glimpse]) -> str:
    """The name of the tune that was heard; `silence` for none, `unclear` for one that has no name."""
    notes = list(_notes(seen))
    if not notes:
        return "silence"
    if len(notes) >= _CHIRPS and all(note.hertz[-1] > _RISE * note.hertz[0] for note in notes):
        return "rising"
    middles = [median(note.hertz) for note in notes]
    if len(notes) == 2 and all(_within(hertz, _LOW_HERTZ) for hertz in middles) and min(n.ms for n in notes) >= _LONG_MS:
        return "long-long"
    if len(notes) == 3 and all(_within(hertz, _HIGH_HERTZ) for hertz in middles):
        dot, dash, last = (note.ms for note in notes)
        if dash >= _DASH * max(dot, last):
            return "dot-dash-dot"
    return UNCLEAR


def turns(seen: Sequence[Glimpse]) -> str:
    """What the disc did each time the lamp was lit, in words with a blank between; `nothing` if it never lit."""
    words: list[str] = []
    lit = False
    for glimpse in seen:
        now = glimpse.lamp_ma > SEEN_MA
        if now and not lit:
            words.append("off")
        lit = now
        if lit and any(glimpse.turns.values()) and words[-1] == "off":
            words[-1] = "forward" if sum(glimpse.turns.values()) > 0 else "back"
    return " ".join(words) or "nothing"


def _notes(seen: Sequence[Glimpse]) -> Iterator[_Note]:
    begun = 0.0
    hertz: list[float] = []
    for glimpse in seen:
        sounds = glimpse.sounder_ma > _HEARD_MA and glimpse.sounder_hz > 0.0
        if sounds and not hertz:
            begun = glimpse.ms
        if sounds:
            hertz.append(glimpse.sounder_hz)
        elif hertz:
            yield _Note(glimpse.ms - begun, tuple(hertz))
            hertz = []


def _within(value: float, limits: tuple[float, float]) -> bool:
    return limits[0] <= value <= limits[1]
