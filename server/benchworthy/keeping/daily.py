"""The signed list of ledger heads, one a day, written below the data directory by the web process, which has the key."""

import logging
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from sqlalchemy import Engine
from sqlalchemy.exc import SQLAlchemyError

from benchworthy.errors import BenchworthyError
from benchworthy.history.heads import HEADS_TYPE, HeadList, to_claims
from benchworthy.ports import Services, Signer
from benchworthy.storage import chains
from benchworthy.storage.engine import reading

log = logging.getLogger("benchworthy.keeping")

FOLDER: Final = "heads"
_LOOK_SECONDS: Final = 300.0


def due(folder: Path, now: datetime) -> Path | None:
    """Where today's list (UTC) is to be written; None when it is there."""
    path = folder / f"{now.astimezone(UTC):%Y-%m-%d}.jws"
    return None if path.exists() else path


def signed_list(engine: Engine, signer: Signer, site: str, now: datetime) -> str | None:
    """The heads of all chains at one moment, signed; None while there is no chain."""
    with reading(engine) as connection:
        heads = chains.heads(connection)
    return signer.sign(HEADS_TYPE, to_claims(HeadList(site, now, heads))) if heads else None


def write(path: Path, token: str) -> bool:
    """Put a list under its name, whole or not at all; False when another process was faster."""
    path.parent.mkdir(exist_ok=True, mode=0o700)
    draft = path.with_name(f".{path.name}.{os.getpid()}.{threading.get_ident()}")
    try:
        draft.write_text(token + "\n")
        with draft.open("rb") as file:
            os.fsync(file.fileno())
        os.link(draft, path)
    except FileExistsError:
        return False
    finally:
        draft.unlink(missing_ok=True)
    return True


def write_if_due(services: Services, engine: Engine, data: Path) -> Path | None:
    """Write today's list if it is not there; its path when it was written now."""
    now, signer = services.now(), services.signer
    path = due(data / FOLDER, now)
    token = signed_list(engine, signer, services.site, now) if path is not None and signer is not None else None
    return path if path is not None and token is not None and write(path, token) else None


@contextmanager
def kept(services: Services, engine: Engine, data: Path) -> Iterator[None]:
    """See to the daily list in a thread of its own for as long as the block lasts."""
    ending = threading.Event()
    thread = threading.Thread(target=_keep, args=(services, engine, data, ending), daemon=True)
    thread.start()
    try:
        yield
    finally:
        ending.set()
        thread.join(timeout=1)


def _keep(services: Services, engine: Engine, data: Path, ending: threading.Event) -> None:
    while True:
        try:
            if (written := write_if_due(services, engine, data)) is not None:
                log.info("wrote the list of ledger heads %s", written)
        except (BenchworthyError, SQLAlchemyError, OSError) as fault:  # the disk is full, the database busy: looked at again
            log.warning("today's list of ledger heads could not be written: %s", fault)
        if ending.wait(_LOOK_SECONDS):
            return
