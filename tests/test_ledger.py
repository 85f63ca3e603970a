"""An entry edited, removed, swapped or slipped in is found at its place."""

import dataclasses
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from benchworthy.history.ledger import GENESIS, Entry, append, first_break

START = datetime(2026, 11, 25, 12, tzinfo=UTC)


def chain(length: int, name: str = "TB001X") -> list[Entry]:
    """A sound chain."""
    entries: list[Entry] = []
    for k in range(length):
        last = entries[-1] if entries else None
        entries.append(append(last, name, START + timedelta(minutes=k), "evidence", "bench-1", {"k": k}, text=f"remark {k}"))
    return entries


def test_a_sound_chain_has_no_break() -> None:
    """Positions count from one and each entry names the one before it."""
    entries = chain(5)
    assert first_break(entries) is None
    assert first_break([]) is None
    assert [entry.position for entry in entries] == [1, 2, 3, 4, 5]
    assert entries[0].previous == GENESIS
    assert [entry.previous for entry in entries[1:]] == [entry.hash for entry in entries[:-1]]


@given(length=st.integers(1, 12), data=st.data())
def test_an_edited_entry_is_found_at_its_place(length: int, data: st.DataObject) -> None:
    """Every field is covered, the hash itself and the text's hash included."""
    entries = chain(length)
    at = data.draw(st.integers(0, length - 1))
    changed = data.draw(
        st.sampled_from(
            [{"at": "2020-01-01T00:00:00+00:00"}, {"kind": "certificate"}, {"holder": "other"}, {"facts": {"k": -1}},
             {"text_hash": None}, {"previous": "f" * 64}, {"hash": "f" * 64}, {"chain": "TB002X"}, {"position": at + 2}]
        )
    )  # fmt: skip
    entries[at] = dataclasses.replace(entries[at], **changed)
    assert first_break(entries) == at + 1


@given(length=st.integers(2, 12), data=st.data())
def test_a_removed_entry_is_found_at_its_place(length: int, data: st.DataObject) -> None:
    """Unless it was the last: a missing end is what the signed heads are for."""
    entries = chain(length)
    at = data.draw(st.integers(0, length - 2))
    del entries[at]
    assert first_break(entries) == at + 1


@given(length=st.integers(2, 12), data=st.data())
def test_swapped_entries_are_found_at_the_first_of_them(length: int, data: st.DataObject) -> None:
    """Order is part of the chain."""
    entries = chain(length)
    one, other = data.draw(st.integers(0, length - 1)), data.draw(st.integers(0, length - 1))
    assume(one != other)
    entries[one], entries[other] = entries[other], entries[one]
    assert first_break(entries) == min(one, other) + 1


@given(length=st.integers(2, 12), data=st.data())
def test_an_edit_with_its_own_hash_made_good_is_found_one_later(length: int, data: st.DataObject) -> None:
    """Whoever computes the edited entry's hash anew breaks the link of the next."""
    entries = chain(length)
    at = data.draw(st.integers(0, length - 2))
    last = entries[at - 1] if at else None
    entries[at] = append(last, "TB001X", START + timedelta(minutes=at), "evidence", "bench-1", {"k": "edited"})
    assert first_break(entries) == at + 2


def test_a_text_can_be_erased_without_breaking_the_chain() -> None:
    """The entry holds only the text's hash, so it does not change when the text goes."""
    entry = append(None, "TB001X", START, "defect", "desk-1", {}, text="a remark that somebody may want erased")
    assert "remark" not in repr(entry)
    assert entry.text_hash is not None
    assert first_break([entry]) is None


@pytest.mark.parametrize("facts", [{"b": 1, "a": 2}, {"a": 2, "b": 1}])
def test_the_order_of_facts_does_not_matter(facts: dict[str, int]) -> None:
    """A database may hand a mapping back in another order."""
    assert append(None, "TB001X", START, "k", "h", facts).hash == append(None, "TB001X", START, "k", "h", {"a": 2, "b": 1}).hash
