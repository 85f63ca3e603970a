"""Frames on a serial line: what the board writes, the bench reads, whatever else is printed."""

import binascii
import json
import random

import pytest

from benchworthy.bench.frames import FaultKind, FrameFault, FrameReader, Heartbeat, Noise, TokenFrame
from services import micropython

TOKEN = b"eyJhbGciOiJIUzI1NiJ9.eyJ2IjoxfQ.c2lnbmF0dXJl"


def framed(token: bytes) -> bytes:
    return b"=BW= %04x %08x %s\n" % (len(token), binascii.crc32(token), token)


def read(octets: bytes, size: int = 1 << 20) -> list:
    reader = FrameReader()
    events = [event for at in range(0, len(octets), size) for event in reader.feed(octets[at : at + size])]
    return events + reader.close()


def tokens(events: list) -> list[bytes]:
    return [event.token for event in events if isinstance(event, TokenFrame)]


def faults(events: list) -> list[FaultKind]:
    return [event.kind for event in events if isinstance(event, FrameFault)]


def test_the_crc_has_the_check_value_of_the_catalogue():
    """CRC-32/ISO-HDLC over "123456789": catalogue of parametrised CRC algorithms, G. Cook."""
    assert binascii.crc32(b"123456789") == 0xCBF43926
    assert read(b"=BW= 0009 cbf43926 123456789\n") == [TokenFrame(b"123456789")]


def test_what_the_agent_writes_on_micropython_is_what_the_bench_reads(tmp_path):
    script = (
        "from benchworthy_agent.link import frames\n"
        "print('MPY: soft reboot')\n"
        "print(frames.heartbeat(1999), end='')\n"
        "print(frames.frame(b'123456789'), end='')\n"
        "print(frames.frame(b'a' * 4096), end='')\n"
    )
    printed = micropython.run(script, cwd=tmp_path).encode()
    assert b"=BW= 0009 cbf43926 123456789\n" in printed
    assert read(printed) == [
        Noise(b"MPY: soft reboot"),
        Heartbeat(1999),
        TokenFrame(b"123456789"),
        TokenFrame(b"a" * 4096),
    ]


def test_the_agent_refuses_to_frame_what_no_report_may_be(tmp_path):
    script = (
        "from benchworthy_agent.link import frames\n"
        "try:\n    frames.frame(b'a' * 4097)\nexcept ValueError as error:\n    print(error)\n"
    )
    assert "4097" in micropython.run(script, cwd=tmp_path)


@pytest.mark.parametrize("cut", range(len(framed(TOKEN)) + 1))
def test_a_frame_cut_at_any_byte_is_put_together(cut):
    reader = FrameReader()
    line = framed(TOKEN)
    assert reader.feed(line[:cut]) + reader.feed(line[cut:]) == [TokenFrame(TOKEN)]


@pytest.mark.parametrize("size", [1, 2, 3, 7, 64])
def test_frames_are_found_among_boot_noise_and_prints(size):
    noise = b"\xff\x00rst cause:4\r\n>>> =BW\n= =H\n"
    line = b"".join([noise, framed(TOKEN), b"=HB= 12\r\n", b"50% done ", framed(TOKEN), noise])
    events = read(line, size)
    assert tokens(events) == [TOKEN, TOKEN]
    assert Heartbeat(12) in events
    assert Noise(b"50% done ") in events
    assert faults(events) == []


def test_every_single_corrupted_byte_is_told_as_a_fault_or_noise_and_never_as_a_token():
    good = framed(TOKEN)
    for at in range(len(good) - 1):
        bad = good[:at] + bytes([good[at] ^ 0x04]) + good[at + 1 :]
        events = read(bad)
        assert tokens(events) == [], at
        inside = at >= len(b"=BW= 0000 00000000 ")
        assert not inside or faults(events) == [FaultKind.CRC]


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        (framed(TOKEN)[:-2] + b"\n", FaultKind.LENGTH),
        (framed(TOKEN)[:-1] + b"x\n", FaultKind.LENGTH),
        (framed(b"a" * 4097), FaultKind.LENGTH),
        (b"=BW= 0009 CBF43926 123456789\n", FaultKind.SHAPE),
        (b"=BW= 0009 deadbeef 123456789\n", FaultKind.CRC),
        (b"=BW= 9 cbf43926 123456789\n", FaultKind.SHAPE),
        (b"=BW= \n", FaultKind.SHAPE),
        (b"=HB= soon\n", FaultKind.SHAPE),
        (b"=HB= -5\n", FaultKind.SHAPE),
    ],
)
def test_length_crc_and_shape_faults_are_told_apart(line, kind):
    events = read(line)
    assert faults(events) == [kind]
    assert tokens(events) == []


def test_half_a_line_before_a_repeated_one_costs_only_itself():
    """The board was reset in the middle of a line, or the bench asked again."""
    events = read(framed(TOKEN)[:40] + framed(TOKEN))
    assert [type(event) for event in events] == [FrameFault, TokenFrame]


def test_half_a_line_at_the_end_is_told_when_the_board_is_gone():
    reader = FrameReader()
    assert reader.feed(framed(TOKEN)[:-1]) == []
    assert reader.close() == [TokenFrame(TOKEN)]
    reader.feed(framed(TOKEN)[:30])
    assert [type(event) for event in reader.close()] == [FrameFault]
    assert reader.close() == []


@pytest.mark.parametrize("size", [1, 100, 5000])
def test_endless_noise_without_a_line_end_holds_little_and_hides_no_frame(size):
    reader = FrameReader()
    endless = b"chatter " * 20000
    held, events = 0, []
    for at in range(0, len(endless), size):
        events += reader.feed(endless[at : at + size])
        held = max(held, len(reader._held))
    assert held <= 4300
    events = reader.feed(framed(TOKEN))
    assert tokens(events) == [TOKEN]


def test_an_endless_frame_is_given_up_and_the_next_one_is_read():
    reader = FrameReader()
    events = reader.feed(b"=BW= 0100 00000000 ")
    for _ in range(1000):
        events += reader.feed(b"z" * 64)
    assert len(reader._held) <= 4300
    events += reader.feed(b"\n" + framed(TOKEN))
    assert tokens(events) == [TOKEN]
    assert any(isinstance(event, FrameFault) for event in events)


def test_the_longest_frame_after_noise_in_the_same_line_survives_the_bound():
    line = b"n" * 3000 + framed(b"t" * 4096)
    for size in (1, 50, 4096):
        assert tokens(read(line, size)) == [b"t" * 4096]


def test_garbage_never_raises_and_all_of_it_is_accounted_for():
    choice = random.Random(4)
    pieces = [b"=BW= ", b"=HB= ", b"\n", b"\r\n", b"0010 ", b"\x00\xff", b"=", framed(TOKEN), b"7", b" "]
    for _ in range(400):
        octets = b"".join(choice.choices(pieces, k=40))
        whole, split = read(octets), read(octets, choice.randint(1, 9))
        assert whole == split, json.dumps(octets.hex())
