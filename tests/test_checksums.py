"""A table's checksum depends on its rows, their columns and their kinds, and on nothing else."""

import sqlite3
from contextlib import closing

from hypothesis import given
from hypothesis import strategies as st

from benchworthy.storage.checksums import TableSum, of_database, of_rows

VALUES = st.none() | st.integers(-(2**63), 2**63 - 1) | st.floats(allow_nan=False) | st.text() | st.binary()
ROWS = st.dictionaries(st.integers(0, 50), st.tuples(VALUES, VALUES), min_size=1, max_size=8)


def summed(rows: list[tuple[object, ...]], columns: str = "id INTEGER PRIMARY KEY, a, b") -> TableSum:
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.execute(f"CREATE TABLE kept ({columns})")
        connection.executemany("INSERT INTO kept VALUES (?, ?, ?)", rows)
        return of_database(connection)["kept"]


@given(rows=ROWS, data=st.data())
def test_the_order_of_writing_does_not_matter(rows: dict[int, tuple[object, object]], data: st.DataObject) -> None:
    """With and without a key of its own."""
    listed = [(key, *values) for key, values in rows.items()]
    mixed = data.draw(st.permutations(listed))
    assert summed(listed) == summed(mixed)
    assert summed(listed, "id, a, b") == summed(mixed, "id, a, b")
    assert summed(listed).rows == len(rows)


@given(rows=ROWS, other=VALUES, data=st.data())
def test_one_value_that_differs_is_seen(rows: dict[int, tuple[object, object]], other: object, data: st.DataObject) -> None:
    """Also 1, 1.0, '1' and b'1' are four values, and an empty text is not nothing."""
    key = data.draw(st.sampled_from(sorted(rows)))
    edited = rows | {key: (other, rows[key][1])}
    same = (type(other), repr(other)) == (type(rows[key][0]), repr(rows[key][0]))
    left, right = ([(key, *values) for key, values in table.items()] for table in (rows, edited))
    assert (summed(left) == summed(right)) == same


def test_values_do_not_run_into_each_other() -> None:
    """What moves from one column into the next, or to the next row, is another table."""
    assert summed([(1, "ab", "c")]) != summed([(1, "a", "bc")])
    assert summed([(1, "a", None), (2, "b", None)]) != summed([(1, "a", "b"), (2, None, None)])


def test_the_columns_count_too() -> None:
    """Same rows under another name are another table."""
    assert summed([(1, 2, 3)]) != summed([(1, 2, 3)], "id INTEGER PRIMARY KEY, a, c")


def test_another_database_s_truth_and_falsehood_are_one_and_nothing() -> None:
    """PostgreSQL has a kind of its own for them; SQLite writes 1 and 0."""
    assert of_rows("kept", ["id", "a", "b"], [(1, True, False)]) == of_rows("kept", ["id", "a", "b"], [(1, 1, 0)])
    assert of_rows("kept", ["id", "a", "b"], [(1, 1, 0)]) == summed([(1, 1, 0)])


def test_text_that_is_not_utf8_has_a_checksum() -> None:
    """And the caller's connection reads texts as before."""
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.execute("CREATE TABLE kept (a)")
        connection.execute("INSERT INTO kept VALUES (CAST(x'ff41' AS TEXT))")
        first = of_database(connection)["kept"]
        connection.execute("UPDATE kept SET a = CAST(x'fe41' AS TEXT)")
        assert of_database(connection)["kept"] != first
        assert connection.text_factory is str
