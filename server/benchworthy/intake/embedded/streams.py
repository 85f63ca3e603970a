"""One connection's bytes, bounded: no packet larger than a report may be, and no waiting for a client that does not read."""

import asyncio
from typing import Final

from amqtt.adapters import StreamReaderAdapter, StreamWriterAdapter
from amqtt.errors import NoDataError

LARGEST: Final = 8192
CLOSE_SECONDS: Final = 2.0


class BoundedReader(StreamReaderAdapter):
    """Ends the connection's input at a packet whose parts are larger than LARGEST."""

    def __init__(self, reader: asyncio.StreamReader) -> None:
        super().__init__(reader)
        self._ended = False

    async def read(self, n: int = -1) -> bytes:
        if n < 0 or n > LARGEST:
            self._ended = True
        if self._ended:
            raise NoDataError("More than a packet may hold.")
        octets: bytes = await super().read(n)
        return octets


class ImpatientWriter(StreamWriterAdapter):
    """Closes within CLOSE_SECONDS, also when the other end takes nothing any more."""

    async def close(self) -> None:
        if self.is_closed:
            return
        try:
            async with asyncio.timeout(CLOSE_SECONDS):
                await super().close()
        except (TimeoutError, OSError):
            self._writer.transport.abort()
