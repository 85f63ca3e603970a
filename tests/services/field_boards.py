"""Many boards in the field at once, as sockets that speak just enough MQTT 3.1.1: each sends its next report when the receipt
of the one before has come, as the agent does. A client library per board would cost more than the service under test."""

import asyncio
import json
import struct
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from benchworthy.reports.token import digest
from services import reports
from services.mosquitto import topic


def numbered(serial: str, key_hex: str, tests: list[str]) -> Callable[[int], bytes]:
    """Makes the report of a number; everything but the number is worked out once."""
    given = [reports.sound(test) for test in tests]
    body = reports.encode(reports.payload(serial, given, seq=987654321))
    key = bytes.fromhex(key_hex)
    return lambda number: reports.signed(f"f.{serial}.1", key, body.replace(b"987654321", str(number).encode()))


@dataclass
class FieldBoard:
    """One board: `waits` holds the seconds from sending each report to its receipt."""

    serial: str
    password: str
    make: Callable[[int], bytes]
    waits: list[float] = field(default_factory=list)
    _reader: asyncio.StreamReader = field(init=False)
    _writer: asyncio.StreamWriter = field(init=False)

    async def connect(self, port: int) -> None:
        self._reader, self._writer = await asyncio.open_connection("127.0.0.1", port)
        name = _text(self.serial)
        self._send(0x10, _text("MQTT") + bytes([4, 0xC0]) + struct.pack(">H", 120) + name + name + _text(self.password))
        assert (await self._packet())[1][1] == 0, "the broker refused the login"
        self._send(0x82, b"\0\1" + _text(topic(self.serial, "receipt")) + b"\1")
        while (await self._packet())[0] >> 4 != 9:
            pass

    def close(self) -> None:
        self._writer.close()

    async def publish(self, number: int) -> None:
        """Hand a report over to the broker, and wait for no receipt."""
        self._hand_over(self.make(number))
        await self._writer.drain()
        while (await self._packet())[0] >> 4 != 4:
            pass

    async def deliver(self, number: int) -> None:
        """Send one report and wait for its own receipt."""
        begun = time.perf_counter()
        token = self.make(number)
        self._hand_over(token)
        await self._writer.drain()
        await self.receipt(digest(token))
        self.waits.append(time.perf_counter() - begun)

    async def receipt(self, digest: str) -> None:
        """Wait for a report's receipt; others are acknowledged and passed over."""
        while True:
            kind, body = await self._packet()
            if kind >> 4 != 3:
                continue
            (length,) = struct.unpack_from(">H", body)
            rest = body[2 + length :]
            if kind & 0x06:
                self._send(0x40, rest[:2])
                rest = rest[2:]
            if json.loads(rest)["report"] == digest:
                return

    def _hand_over(self, token: bytes) -> None:
        self._send(0x32, _text(topic(self.serial, "report")) + b"\0\2" + token)

    def _send(self, kind: int, body: bytes) -> None:
        self._writer.write(bytes([kind]) + bytes(_length(len(body))) + body)

    async def _packet(self) -> tuple[int, bytes]:
        kind = (await self._reader.readexactly(1))[0]
        length = shift = 0
        while True:
            octet = (await self._reader.readexactly(1))[0]
            length |= (octet & 0x7F) << shift
            shift += 7
            if not octet & 0x80:
                return kind, await self._reader.readexactly(length)


def _text(value: str) -> bytes:
    raw = value.encode()
    return struct.pack(">H", len(raw)) + raw


def _length(size: int) -> Iterator[int]:
    while True:
        size, octet = divmod(size, 128)
        yield octet | (0x80 if size else 0)
        if not size:
            return
