"""What a board keeps on its flash: reports without a receipt, and its few lasting facts. On real MicroPython."""

import json
from pathlib import Path
from typing import Any

import pytest

from services import micropython

SCRIPT = micropython.SCRIPTS / "spool_scenarios.py"
OTHER_KEY = "00" * 32


@pytest.fixture
def board(tmp_path: Path):
    def play(name: str, **options: Any) -> Any:
        return json.loads(micropython.run(SCRIPT, name, cwd=tmp_path, given=json.dumps(options)).splitlines()[-1])

    return play


@pytest.fixture
def tokens(board) -> list[str]:
    return board("tokens", numbers=list(range(12)))


def files(place: Path) -> list[str]:
    return sorted(path.name for path in (place / "spool").iterdir())


def test_a_report_waits_across_restarts_until_a_right_receipt(board, tokens, tmp_path):
    assert board("put", put=[1])["put"] == [True]
    assert board("put")["waiting"] == [tokens[1]]
    last = board("put", receipts=["receipt(1)"])
    assert (last["verdicts"], last["waiting"], files(tmp_path)) == (["in limits"], [], [])


WRONG = {
    "under another key": "receipt(1, bytes(32))",
    "for another report": "receipt(2)",
    "of another verdict than was signed": 'receipt(1).replace("in limits", "out")',
    "cut short": "receipt(1)[:-9]",
    "no JSON": "'ok'",
    "bytes that are no text": r"b'\xff\xfe'",
    "a list": "'[1]'",
    "endless": "'[' * 3000",
}


@pytest.mark.parametrize("text", WRONG.values(), ids=WRONG)
def test_a_wrong_receipt_removes_nothing(board, tokens, text):
    found = board("put", put=[1], receipts=[text])
    assert (found["verdicts"], found["waiting"]) == ([None], [tokens[1]])


def test_receipts_in_any_order_remove_the_report_they_name(board, tokens):
    found = board("put", put=[1, 2, 3], receipts=["receipt(2)", "receipt(2)", "receipt(3)"])
    assert found["verdicts"] == ["in limits", None, "in limits"]
    assert found["waiting"] == [tokens[1]]


def test_one_report_costs_three_operations_on_the_flash_and_nothing_else_costs_any(board):
    board("put", put=[1])
    found = board("put", put=[2], receipts=["receipt(2)"])
    assert found["done"] == ["write spool/000002.new", "rename spool/000002.new", "remove spool/000002"]
    assert board("put", receipts=["receipt(9)"])["done"] == []
    assert board("deliver", answered=[])["done"] == []


def test_oldest_goes_first_and_one_without_a_receipt_does_not_hold_up_the_others(board, tokens):
    board("put", put=[3, 1, 2])
    found = board("deliver", answered=[1])
    assert found["asked"] == [tokens[3], tokens[1], tokens[2]]
    assert found["left"] == 2
    assert board("deliver", answered=[])["asked"] == [tokens[3], tokens[2]]


def test_a_full_spool_takes_no_more_and_keeps_the_oldest(board, tokens):
    found = board("put", put=list(range(9)))
    assert found["put"] == [True] * 8 + [False]
    assert found["full"] and found["waiting"] == tokens[:8]
    again = board("put", receipts=["receipt(0)"], put=[])
    assert not again["full"]
    assert board("put", put=[8])["waiting"] == tokens[1:9]


def test_numbers_go_on_past_what_waits_so_that_nothing_is_written_over(board, tokens, tmp_path):
    board("put", put=[0, 1, 2])
    board("put", receipts=["receipt(0)", "receipt(1)"])
    assert board("put", put=[3])["waiting"] == [tokens[2], tokens[3]]
    assert files(tmp_path) == ["000003", "000004"]


def test_a_whole_report_whose_renaming_was_cut_off_takes_its_place(board, tokens, tmp_path):
    (tmp_path / "spool").mkdir()
    (tmp_path / "spool" / "000004.new").write_text(tokens[4])
    assert board("put")["waiting"] == [tokens[4]]
    assert files(tmp_path) == ["000004"]


@pytest.mark.parametrize("kept", [0, 1, 30, -1])
def test_a_report_whose_writing_was_cut_off_was_promised_to_nobody_and_goes(board, tokens, tmp_path, kept):
    (tmp_path / "spool").mkdir()
    (tmp_path / "spool" / "000004.new").write_text(tokens[4][:kept])
    found = board("put")
    assert (found["waiting"], found["damaged"], files(tmp_path)) == ([], [], [])


def test_a_second_copy_beside_the_first_goes(board, tokens, tmp_path):
    board("put", put=[1])
    (tmp_path / "spool" / "000001.new").write_text(tokens[2])
    assert board("put")["waiting"] == [tokens[1]]
    assert files(tmp_path) == ["000001"]


@pytest.mark.parametrize("damage", [b"", b"no report", b"x" * 5000, b"a.b.c", b"\xff" * 40])
def test_a_damaged_file_is_named_holds_up_nobody_and_goes_only_when_told(board, tokens, tmp_path, damage):
    board("put", put=[1, 2])
    (tmp_path / "spool" / "000001").write_bytes(damage)
    assert board("put")["damaged"] == ["000001"]
    assert board("deliver", answered=[2])["asked"] == [tokens[2]]
    assert files(tmp_path) == ["000001"]
    assert board("forget") == {"forgotten": 1, "again": [], "done": ["remove spool/000001"]}
    assert files(tmp_path) == []


def test_a_report_with_one_bit_turned_is_damaged(board, tokens, tmp_path):
    board("put", put=[1])
    whole = bytearray(tokens[1].encode())
    whole[20] ^= 1
    (tmp_path / "spool" / "000001").write_bytes(whole)
    found = board("put")
    assert (found["damaged"], found["waiting"]) == (["000001"], [])


def test_what_was_signed_under_an_earlier_key_can_bring_no_receipt_and_is_told_as_lost(board):
    board("put", put=[1])
    assert board("put", key=OTHER_KEY)["damaged"] == ["000001"]


def test_a_full_flash_refuses_a_report_and_leaves_no_half_file(board, tmp_path):
    board("put", put=[1])
    assert board("put", put=[2], flash_full=True)["put"] == [False]
    assert files(tmp_path) == ["000001"]


# -- state.json

KEPT = {"serial": "TRN1", "epoch": 3, "boot": 7, "key": "6b" * 32}


def keep(place: Path, **fields: Any) -> Path:
    path = place / "state.json"
    path.write_text(json.dumps(fields))
    return path


def test_a_boot_costs_two_operations_on_the_flash_and_an_unchanged_state_none(board, tmp_path):
    keep(tmp_path, **KEPT)
    found = board("boot")
    assert found["done"] == ["write state.json.new", "rename state.json.new"]
    assert found["found"] == {**KEPT, "boot": 8} and found["flag"] == ""
    assert board("look")["done"] == []


def test_a_state_from_before_there_were_keys_has_none(board, tmp_path):
    keep(tmp_path, serial="TRN1", epoch=1, boot=2)
    assert board("look") == {"flag": "", "boot": 2, "key": "", "done": []}


def test_the_longest_state_stays_within_512_bytes(board, tmp_path):
    keep(tmp_path, serial="S" * 64, epoch=2**30, boot=2**30, key="f" * 128)
    assert board("boot")["flag"] == ""
    assert (tmp_path / "state.json").stat().st_size <= 512


@pytest.mark.parametrize("half", ["", "{", '{"serial": "TRN1", "epoch": 3, "bo'])
def test_power_lost_while_writing_leaves_the_old_state(board, tmp_path, half):
    keep(tmp_path, **KEPT)
    (tmp_path / "state.json.new").write_text(half)
    assert board("boot")["found"] == {**KEPT, "boot": 8}


def test_power_lost_inside_a_rename_that_removes_first_leaves_the_new_state(board, tmp_path):
    path = keep(tmp_path, **{**KEPT, "boot": 8})
    path.rename(tmp_path / "state.json.new")
    found = board("boot")
    assert (found["first"], found["boot"], found["found"]) == ("recovered", 9, {**KEPT, "boot": 9})


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", '{"serial": 1, "epoch": 1, "boot": 1}', json.dumps({**KEPT, "key": 5}), "9" * 600]
)
def test_a_broken_state_is_told_and_never_believed(board, tmp_path, text):
    (tmp_path / "state.json").write_text(text)
    assert board("look") == {"flag": "broken", "boot": 0, "key": "", "done": []}


def test_a_flash_that_is_full_is_told(board, tmp_path):
    keep(tmp_path, **KEPT)
    found = board("boot", flash_full=True)
    assert found["flag"] == "not saved" and found["found"] == KEPT
