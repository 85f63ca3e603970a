"""An application of the service behind a real HTTP port, in a thread of this process."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from flask import Flask
from werkzeug.serving import make_server


@contextmanager
def served(app: Flask) -> Iterator[str]:
    """The address under which the application answers while the block lasts."""
    server = make_server("127.0.0.1", 0, app, threaded=True)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        thread.join(5)
        server.server_close()
