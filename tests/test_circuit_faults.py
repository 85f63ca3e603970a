"""The words in which faults are written, and what they change in a list of parts."""

import pytest

from benchworthy.designs.parts import Part
from benchworthy.errors import FaultInvalid
from benchworthy.virtual.faults import Fault, apply, parse

R1 = Part("R1", "resistor", 1000.0, 0.05, ("A", "B"))
D1 = Part("D1", "diode", None, 0.0, ("A", "GND"))
Q1 = Part("Q1", "transistor", None, 0.0, ("E", "B", "C"))
U1 = Part("U1", "mux8", None, 0.0, tuple("abcdefgh"))
PARTS = [R1, D1, Q1, U1]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("R17=open", Fault("R17=open", "open", "R17")),
        ("R17=short", Fault("R17=short", "short", "R17")),
        ("D6=reversed", Fault("D6=reversed", "reversed", "D6")),
        ("R17=100k", Fault("R17=100k", "value", "R17", value=100e3)),
        ("TP-4:PR1=open", Fault("TP-4:PR1=open", "open", "TP-4:PR1")),
        ("J4.2=bent", Fault("J4.2=bent", "bent", "J4.2")),
        ("U4.9=open", Fault("U4.9=open", "bent", "U4.9")),
        ("U2.1-U2.2=bridge", Fault("U2.1-U2.2=bridge", "bridge", "U2.1", "U2.2")),
        ("S1A-GND=47k", Fault("S1A-GND=47k", "bridge", "S1A", "GND", 47e3)),
        ("U5=noisy", Fault("U5=noisy", "noisy", "U5")),
        ("SW1=worn", Fault("SW1=worn", "worn", "SW1")),
        ("ANT=detuned", Fault("ANT=detuned", "detuned", "ANT")),
        ("Y1=+200ppm", Fault("Y1=+200ppm", "off", "Y1", value=200.0)),
        ("Y1=-30ppm", Fault("Y1=-30ppm", "off", "Y1", value=-30.0)),
        ("TP-4:PU2=stuck", Fault("TP-4:PU2=stuck", "holds", "TP-4:PU2", value=5.0)),
        ("TP-4:PU2=stuck9", Fault("TP-4:PU2=stuck9", "holds", "TP-4:PU2", value=9.0)),
        (" GP10-GP11=bridge ", Fault("GP10-GP11=bridge", "bridge", "GP10", "GP11")),
    ],
)
def test_a_fault_is_read_as_it_is_written(text: str, expected: Fault) -> None:
    """Blanks around it do not matter."""
    assert parse(text) == expected


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "one ="),
        ("R17", "one ="),
        ("=open", "one ="),
        ("R17=", "one ="),
        ("R17=broken", "neither open, short"),
        ("R17=4k7", "neither open, short"),
        ("R17=-5", "above zero"),
        ("R17=0", "above zero"),
        ("J4=bent", "only a pin bends"),
        ("J4.2=short", "single pin"),
        ("J4.2=100k", "single pin"),
        ("R1-R2=open", "neither a part"),
        ("R1=bridge", "joins two ends"),
        ("A-B-C=bridge", "joins two ends"),
    ],
)
def test_a_fault_that_is_none_is_refused_with_what_is_wrong_and_what_is_allowed(text: str, says: str) -> None:
    """The advice lists the forms there are."""
    with pytest.raises(FaultInvalid, match=says) as caught:
        parse(text)
    assert "R17=open" in str(caught.value)


def test_an_open_part_keeps_its_place_with_every_pin_in_the_air() -> None:
    """So a lamp that is out can still be asked for its current."""
    edited = apply(parse("R1=open"), PARTS)
    assert edited[0].nets == ("R1.1~", "R1.2~")
    assert edited[1:] == PARTS[1:]


@pytest.mark.parametrize(
    ("fault", "nets"),
    [("R1=short", ("A", "B")), ("Q1.1-Q1.3=bridge", ("E", "C")), ("E-B=bridge", ("E", "B"))],
)
def test_a_short_and_a_bridge_add_a_blob_of_solder(fault: str, nets: tuple[str, str]) -> None:
    """The parts themselves stay as they are."""
    edited = apply(parse(fault), PARTS)
    assert edited[:-1] == PARTS
    assert edited[-1].nets == nets


@pytest.mark.parametrize(
    ("ref", "nets"),
    [("D1", ("GND", "A")), ("Q1", ("C", "B", "E")), ("U1", ("e", "f", "g", "h", "a", "b", "c", "d"))],
)
def test_a_turned_part_has_its_pins_where_its_package_puts_them(ref: str, nets: tuple[str, ...]) -> None:
    """A row of pins is mirrored, a package with two rows makes half a turn."""
    edited = {part.ref: part for part in apply(parse(f"{ref}=reversed"), PARTS)}
    assert edited[ref].nets == nets


def test_a_wrong_value_replaces_the_right_one() -> None:
    """Exactly as written: no tolerance is drawn for it."""
    assert apply(parse("R1=100k"), PARTS)[0].value == 100e3


U5 = Part("U5", "module", 3.3, 0.0, tuple("abcd"), model={"rin": 2e7})
SW1 = Part("SW1", "switch", None, 0.0, ("BTN", "GND"))


@pytest.mark.parametrize(
    ("fault", "ref", "word", "value"),
    [("SW1=worn", "SW1", "worn", 1.0), ("Y1=+200ppm", "U5", "ppm", 200.0), ("ANT=detuned", "U5", "detuned", 1.0)],
)
def test_what_wears_or_drifts_is_a_constant_of_its_part(fault: str, ref: str, word: str, value: float) -> None:
    """Crystal and aerial are parts of the module; its other constants stay."""
    edited = {part.ref: part for part in apply(parse(fault), [U5, SW1])}
    assert edited[ref].model[word] == value
    assert edited["U5"].model["rin"] == 2e7


@pytest.mark.parametrize(
    ("fault", "says"), [("R1=worn", "befalls a switch"), ("D1=stuck", "befalls a memory"), ("R9=worn", "no part R9")]
)
def test_what_cannot_befall_a_part_is_refused(fault: str, says: str) -> None:
    """A resistor does not bounce."""
    with pytest.raises(FaultInvalid, match=says):
        apply(parse(fault), PARTS)
