"""Signing, reports, receipts and the state file as they are on real MicroPython."""

import base64
import hashlib
import hmac
import json
from pathlib import Path

import pytest

from benchworthy.reports import receipt as service_receipt
from benchworthy.reports import token as service_token
from services import micropython

KEY = bytes(range(32))
KID = "r.r-7k2m9q"
HEAD = {"v": 1, "serial": "TRN1", "epoch": 1, "boot": 7, "seq": 3, "ms": 12345, "seen": {"plug": "TP4-0007"}}
READINGS = [
    ("PWR-V5", "steps", [[64, 160000, 400000000, 2490, 2510], [-1, 0, 2**40, -5, 5]]),
    ("X", "not_run", 'no "plug"\n\x00\x1b[31m=cmd|<b>é'),
    ("Y", "error", "OSError: 5"),
    ("Z", "steps", []),
]
AS_JSON = [{"test": test, kind: content} for test, kind, content in READINGS]


def ask(tmp_path: Path, name: str, options: object):
    script = micropython.SCRIPTS / "signing_scenarios.py"
    return json.loads(micropython.run(script, name, cwd=tmp_path, given=json.dumps(options), heap="128k"))


def test_hmac_gives_the_published_values(tmp_path):
    """RFC 4231, 4.2 to 4.4 and 4.7 (cases 1, 2, 3 and 6: a key longer than a block)."""
    cases = [
        ("0b" * 20, b"Hi There".hex(), "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
        (
            b"Jefe".hex(),
            b"what do ya want for nothing?".hex(),
            "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
        ),
        ("aa" * 20, "dd" * 50, "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"),
        (
            "aa" * 131,
            b"Test Using Larger Than Block-Size Key - Hash Key First".hex(),
            "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
        ),
    ]
    assert ask(tmp_path, "macs", [case[:2] for case in cases]) == [case[2] for case in cases]


@pytest.mark.parametrize("size", [0, 55, 63, 64, 65])
def test_hmac_agrees_with_cpython_for_keys_about_a_block_long(tmp_path, size):
    key, data = bytes([7]) * size, b"\x00\xff" * size
    assert ask(tmp_path, "macs", [[key.hex(), data.hex()]]) == [hmac.new(key, data, "sha256").hexdigest()]


def test_a_token_from_the_board_passes_the_services_parser_with_its_payload_whole(tmp_path):
    options = {"head": HEAD, "readings": READINGS, "kid": KID, "key": KEY.hex()}
    made = ask(tmp_path, "token", options)
    raw = made["token"].encode()
    parsed = service_token.split(raw)
    assert str(parsed.key) == KID
    assert json.loads(parsed.payload) == {**HEAD, "readings": AS_JSON}
    assert made["digest"] == service_token.digest(raw)
    signed, _, signature = raw.rpartition(b".")
    mac = hmac.new(KEY, signed, hashlib.sha256).digest()
    assert base64.urlsafe_b64encode(mac).rstrip(b"=") == signature


@pytest.mark.parametrize("more", range(6))
def test_the_encoding_is_right_whatever_is_left_over_of_three_bytes(tmp_path, more):
    """The payload is encoded piece by piece, so each length of the last piece is tried."""
    options = {"head": {"v": 1, "serial": "A" * more}, "readings": READINGS[:1], "kid": KID, "key": KEY.hex()}
    payload = service_token.split(ask(tmp_path, "token", options)["token"].encode()).payload
    assert json.loads(payload) == {**options["head"], "readings": AS_JSON[:1]}


def test_a_float_in_the_head_is_refused(tmp_path):
    options = {"head": {"v": 1, "seen": {"plug": 0.5}}, "readings": [], "kid": KID, "key": KEY.hex()}
    with pytest.raises(AssertionError, match="floats are refused"):
        ask(tmp_path, "token", options)


REFUSED = [
    "('A', 'steps', [[1, 2, 3, 4, 5.0]])",
    "('A', 'steps', [[1, 2, 3, 4, float('nan')]])",
    "('A', 'steps', [[1, 2, 3, 4, float('inf')]])",
    "('A', 'steps', [[1, 2, 3, 4, True]])",
    "('A', 'steps', [[1, 2, 3, 4, '5']])",
    "('A', 'steps', [[1, 2, 3, 4]])",
    "('A', 'steps', [[1, 2, 3, 4, [5]]])",
    "('A', 'steps', [[1, 1, 1, 1, 1], [1, 2, 3, 4, 5.5]])",
    "('A', 'steps', 5)",
    "('A', 'error', None)",
    "('A', 'not_run', 5)",
    "('A', 'text', 'x')",
    "('A', 'items', {'n': 'x'})",
]


def test_what_is_no_reading_in_integers_or_text_is_refused_and_leaves_no_trace(tmp_path):
    said, token = ask(tmp_path, "refusals", REFUSED)
    assert [(text, answer) for text, answer in zip(REFUSED, said, strict=True) if answer == "taken"] == []
    readings = json.loads(service_token.split(token.encode()).payload)["readings"]
    assert readings == [{"test": "good", "steps": [[1, 2, 4, 2, 2]]}, {"test": "last", "not_run": "no jack"}]


def test_a_full_report_takes_what_a_part_may_hold_and_still_has_room_for_its_head(tmp_path):
    """A part holds at most 2,200 bytes of readings; the token stays within the service's 4,096, and its buffer serves again."""
    head = {
        **HEAD,
        "module": "e" * 16, "design": "tarn-b", "plan": "0" * 32, "agent": {"version": "10.10.10", "hash": "0" * 32},
        "firmware": "f" * 64, "run": "r-" + "0" * 40, "nonce": "0" * 32, "part": 99, "seen": {"plug": "P" * 16},
        "serial": "S" * 20, "epoch": 999, "boot": 99999, "seq": 99999, "ms": 2**30,
    }  # fmt: skip
    count, said, token, again = ask(tmp_path, "full", {"head": head, "kid": "r.r-" + "0" * 40})
    assert said == "no room left in this part"
    payload = service_token.split(token.encode()).payload
    assert len(token) <= 4096 and len(json.loads(payload)["readings"]) == count
    assert len(json.dumps(json.loads(payload)["readings"], separators=(",", ":"))) >= 2200
    assert json.loads(service_token.split(again.encode()).payload)["readings"] == [{"test": "again", "not_run": "no jack"}]


DIGEST = "0123456789abcdef" * 2


def receipt_text(verdict: str, digest: str = DIGEST, key: bytes = KEY) -> str:
    mac = hmac.new(key, service_receipt.message(digest, verdict), "sha256").hexdigest()
    return service_receipt.Receipt(digest, verdict, mac).to_json()


def test_a_receipt_made_by_the_service_is_believed_as_text_and_as_bytes(tmp_path):
    right = [receipt_text("in limits"), receipt_text("näher prüfen\n")]
    texts = [repr(right[0]), repr(right[0].encode()), repr(right[1])]
    answers = ask(tmp_path, "receipts", {"digest": DIGEST, "key": KEY.hex(), "texts": texts})
    assert answers == ["in limits", "in limits", "näher prüfen\n"]


def test_no_other_receipt_is_believed_and_garbage_never_raises(tmp_path):
    right = receipt_text("out")
    wrong = [
        receipt_text("out", digest="f" * 32),
        receipt_text("out", key=b"another key"),
        right.replace('"out"', '"in limits"'),
        right.replace('"v": 1', '"v": 2').replace('"v":1', '"v":2'),
        right.replace('"v": 1', '"v": true').replace('"v":1', '"v":true'),
        json.dumps({**json.loads(right), "mac": ""}),
        json.dumps({**json.loads(right), "mac": "é" * 64}),
        json.dumps({**json.loads(right), "mac": None}),
        json.dumps({**json.loads(right), "verdict": ["out"]}),
        json.dumps({**json.loads(right), "report": {}}),
        "",
        "null",
        "[]",
        "[" * 1000,
        '{"a"' * 200,
        "{[]: 1}",
        "{{}",
        "\x00",
        right[:-1],
        right + " " * 2000,
        "x" * 5000,
    ]
    texts = [repr(text) for text in wrong]
    texts += ["b'\\xff\\xfe{'", "b'\"\\xff\"'", "None", "5", "{}", 'b\'{"v":1,"report":"\\xff"}\'']
    answers = ask(tmp_path, "receipts", {"digest": DIGEST, "key": KEY.hex(), "texts": texts})
    assert answers == [None] * len(texts)


def test_the_boot_counter_goes_on_over_resets_and_a_first_start_says_missing(tmp_path):
    path = str(tmp_path / "state.json")
    first = ask(tmp_path, "boots", {"path": path, "serial": "TRN1"})
    assert first == {"flag": "missing", "boot": 1, "after": "missing", "again": ["TRN1", 1, 1, ""]}
    second = ask(tmp_path, "boots", {"path": path})
    assert second == {"flag": "", "boot": 2, "after": "", "again": ["TRN1", 1, 2, ""]}
    assert [file.name for file in tmp_path.iterdir()] == ["state.json"]


@pytest.mark.parametrize(
    "octets",
    [
        b"",
        b"{",
        b"\xff\xfe",
        b"[]",
        b'{"serial":"A"}',
        b'{"serial":1,"epoch":1,"boot":1}',
        b'{"serial":"A","epoch":0,"boot":1}',
        b'{"serial":"A","epoch":1.5,"boot":1}',
        b'{"serial":"A","epoch":1,"boot":true}',
        b" " * 600,
        b"[" * 400,
    ],
)
def test_a_broken_state_file_gives_defaults_and_says_so(tmp_path, octets):
    path = tmp_path / "state.json"
    path.write_bytes(octets)
    assert ask(tmp_path, "boots", {"path": str(path)}) == {
        "flag": "broken",
        "boot": 1,
        "after": "broken",
        "again": ["", 1, 1, ""],
    }


@pytest.mark.parametrize("left", [None, b"", b"{half"])
def test_a_save_that_lost_power_before_its_rename_is_completed(tmp_path, left):
    path = tmp_path / "state.json"
    if left is not None:
        path.write_bytes(left)
    (tmp_path / "state.json.new").write_text('{"serial":"TRN1","epoch":2,"boot":9}')
    found = ask(tmp_path, "boots", {"path": str(path)})
    assert (found["flag"], found["again"]) == ("recovered", ["TRN1", 2, 10, ""])


def test_a_half_written_new_file_does_not_hide_the_old_state(tmp_path):
    (tmp_path / "state.json").write_text('{"serial":"TRN1","epoch":2,"boot":9}')
    (tmp_path / "state.json.new").write_text('{"serial":"TR')
    found = ask(tmp_path, "boots", {"path": str(tmp_path / "state.json")})
    assert (found["flag"], found["again"]) == ("", ["TRN1", 2, 10, ""])


def test_a_flash_that_takes_no_writes_is_told_and_the_boot_goes_on(tmp_path):
    found = ask(tmp_path, "boots", {"path": str(tmp_path / "absent" / "state.json")})
    assert (found["flag"], found["boot"], found["after"]) == ("missing", 1, "not saved")


def test_a_state_that_did_not_change_is_not_written_again(tmp_path):
    assert ask(tmp_path, "saves", {"path": str(tmp_path / "state.json")}) == 1
