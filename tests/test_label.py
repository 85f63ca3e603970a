"""Serial numbers on labels: ISO/IEC 7064 MOD 37,36."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchworthy.errors import SerialInvalid
from benchworthy.intake import label

ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"


def by_the_standard(body: str) -> str:
    """The hybrid system of ISO/IEC 7064:2003, MOD 37,36, written from its recursion (from memory), not from the library."""
    product = 36
    for character in body:
        total = (product + ALPHABET.index(character)) % 36 or 36
        product = total * 2 % 37
    return ALPHABET[(37 - product) % 36]


def test_the_published_example_is_accepted() -> None:
    """A1-2425G-ABC1234002-M, the worked example of the Global Release Identifier, which uses MOD 37,36 (from memory)."""
    assert label.complete("A12425GABC1234002") == "A12425GABC1234002M"
    assert label.parse("a1-2425g-abc1234002-m") == "A12425GABC1234002M"


@given(st.text(ALPHABET, min_size=2, max_size=23))
def test_the_check_character_is_that_of_the_standards_recursion(body: str) -> None:
    """Two implementations, one answer."""
    assert label.complete(body) == body + by_the_standard(body)


@given(st.text(ALPHABET, min_size=2, max_size=20), st.data())
def test_one_wrong_character_is_always_noticed(body: str, data: st.DataObject) -> None:
    """A MOD 37,36 system detects every single substitution."""
    whole = label.complete(body)
    place = data.draw(st.integers(0, len(whole) - 1))
    other = data.draw(st.sampled_from([c for c in ALPHABET if c != whole[place]]))
    with pytest.raises(SerialInvalid):
        label.parse(whole[:place] + other + whole[place + 1 :])


@pytest.mark.parametrize("text", ["", "K", "KM0001D", "KM 0001", "KM0001!", "KÄ00011", "A" * 40, "KM0001C; DROP"])
def test_what_is_no_serial_number_is_refused_with_advice(text: str) -> None:
    with pytest.raises(SerialInvalid) as refused:
        label.parse(text)
    assert "scan the label again" in str(refused.value)
