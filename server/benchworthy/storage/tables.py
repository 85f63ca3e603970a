"""The tables. Every constraint has a name, so that a later migration can drop it."""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    Boolean,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
    false,
)
from sqlalchemy.engine import Dialect

metadata = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "ix": "ix_%(table_name)s_%(column_0_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
    }
)


class Moment(TypeDecorator[datetime]):
    """A moment in UTC as ISO 8601 text with microseconds: it sorts as it counts, on every database."""

    impl = String(32)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:
        return None if value is None else value.astimezone(UTC).isoformat(timespec="microseconds")

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        return None if value is None else datetime.fromisoformat(value)


def _board_key(**options: Any) -> Column[Any]:
    return Column("serial", String(24), ForeignKey("boards.serial"), nullable=False, **options)


sites = Table("sites", metadata, Column("name", String(64), primary_key=True), Column("added_at", Moment, nullable=False))

boards = Table(
    "boards",
    metadata,
    Column("serial", String(24), primary_key=True),
    Column("site", String(64), ForeignKey("sites.name"), nullable=False),
    Column("design", String(64), nullable=False),
    Column("virtual", Boolean, nullable=False),
    Column("epoch", Integer, nullable=False),
    Column("kit_lot", String(64)),
    Column("inventory_ref", String(64), unique=True),
    Column("enrolled_at", Moment, nullable=False),
    Column("version", Integer, nullable=False),
    Column("place", String(64)),
    Column("note", Text),
    Column("staged", Boolean, nullable=False, server_default=false()),
)

modules = Table(
    "modules",
    metadata,
    _board_key(primary_key=True),
    Column("epoch", Integer, primary_key=True),
    Column("module", String(64), index=True),
    Column("bound_by_run", String(40)),
    Column("since", Moment, nullable=False),
)

benches = Table(
    "benches",
    metadata,
    Column("thumbprint", String(43), primary_key=True),
    Column("site", String(64), ForeignKey("sites.name"), nullable=False),
    Column("name", String(64), nullable=False),
    Column("jwk", Text, nullable=False),
    Column("holder", String(32), nullable=False),
    Column("added_at", Moment, nullable=False),
    Column("revoked_at", Moment),
)

tokens = Table(
    "tokens",
    metadata,
    Column("fingerprint", String(64), primary_key=True),
    Column("site", String(64), ForeignKey("sites.name"), nullable=False),
    Column("role", String(16), nullable=False),
    Column("holder", String(32), nullable=False),
    Column("created_at", Moment, nullable=False),
    Column("expires_at", Moment),
    Column("revoked_at", Moment),
    Column("scope", String(16), nullable=False, server_default="all"),
)

fixtures = Table(
    "fixtures",
    metadata,
    Column("serial", String(32), primary_key=True),
    Column("site", String(64), ForeignKey("sites.name"), nullable=False),
    Column("kind", String(32), nullable=False),
    Column("added_at", Moment, nullable=False),
    Column("check_due", Moment),
)

runs = Table(
    "runs",
    metadata,
    Column("id", String(40), primary_key=True),
    _board_key(),
    Column("site", String(64), ForeignKey("sites.name"), nullable=False),
    Column("test_set", String(32), nullable=False),
    Column("design", String(64), nullable=False),
    Column("judging", String(64), nullable=False),
    Column("guide", String(64), nullable=False),
    Column("bench", String(43), ForeignKey("benches.thumbprint"), nullable=False),
    Column("scanned", String(24), nullable=False),
    Column("nonce", String(32), nullable=False),
    Column("opened_by", String(32), nullable=False),
    Column("opened_at", Moment, nullable=False),
    Column("expires_at", Moment, nullable=False),
    Column("closed_at", Moment),
    Column("closed_by", String(32)),
    Column("summary", JSON, nullable=False),
    Index("ix_runs_serial_opened", "serial", "opened_at"),
)

run_fixtures = Table(
    "run_fixtures",
    metadata,
    Column("run", String(40), ForeignKey("runs.id"), primary_key=True),
    Column("fixture", String(32), ForeignKey("fixtures.serial"), primary_key=True),
    Index("ix_run_fixtures_fixture", "fixture"),
)

draws = Table(
    "draws",
    metadata,
    Column("run", String(40), ForeignKey("runs.id"), primary_key=True),
    Column("test", String(32), primary_key=True),
    Column("number", Integer, primary_key=True),
    Column("stimulus", JSON, nullable=False),
    Column("drawn_at", Moment, nullable=False),
)

evidence = Table(
    "evidence",
    metadata,
    Column("digest", String(32), primary_key=True),
    _board_key(index=True),
    Column("run", String(40), ForeignKey("runs.id")),
    Column("author", String(16), nullable=False),
    Column("part", Integer),
    Column("evidence_class", String(8), nullable=False),
    Column("kid", String(80), nullable=False),
    Column("holder", String(32), nullable=False),
    Column("raw", LargeBinary, nullable=False),
    Column("module", String(64)),
    Column("epoch", Integer),
    Column("boot", Integer),
    Column("seq", Integer),
    Column("arrival", String(16), nullable=False),
    Column("received_at", Moment, nullable=False),
    Column("receipt", Text, nullable=False),
    Index("ix_evidence_run", "run", "author", "part"),
    Index("ix_evidence_counters", "serial", "epoch", "boot", "seq"),
)

verdicts = Table(
    "verdicts",
    metadata,
    Column("digest", String(32), ForeignKey("evidence.digest"), primary_key=True),
    Column("test", String(32), primary_key=True),
    Column("quantity", String(64), primary_key=True),
    Column("verdict", String(16), nullable=False),
    Column("value", String(32)),
    Column("expanded", String(32)),
    Column("unit", String(32)),
    Column("judging", String(64), nullable=False),
)

findings = Table(
    "findings",
    metadata,
    Column("id", Integer, primary_key=True),
    _board_key(index=True),
    Column("run", String(40)),
    Column("digest", String(32)),
    Column("code", String(32), nullable=False),
    Column("text", Text, nullable=False),
    Column("at", Moment, nullable=False),
)

ledger = Table(
    "ledger",
    metadata,
    Column("chain", String(80), primary_key=True),
    Column("position", Integer, primary_key=True),
    Column("at", String(32), nullable=False),
    Column("kind", String(40), nullable=False),
    Column("holder", String(32), nullable=False),
    Column("facts", JSON, nullable=False),
    Column("text_hash", String(64)),
    Column("previous", String(64), nullable=False),
    Column("hash", String(64), nullable=False),
)

texts = Table(
    "texts",
    metadata,
    Column("hash", String(64), primary_key=True),
    Column("text", Text, nullable=False),
)

documents = Table("documents", metadata, Column("sha256", String(64), primary_key=True), Column("body", Text, nullable=False))

certificates = Table(
    "certificates",
    metadata,
    Column("id", String(40), primary_key=True),
    _board_key(index=True),
    Column("site", String(64), ForeignKey("sites.name"), nullable=False),
    Column("run", String(40), ForeignKey("runs.id"), nullable=False),
    Column("token", Text, nullable=False),
    Column("results", String(64), ForeignKey("documents.sha256"), nullable=False),
    Column("issued_at", Moment, nullable=False),
    Column("valid_until", Moment, nullable=False),
    Column("issued_by", String(32), nullable=False),
    Column("lapse", String(32)),
    Column("lapsed_at", Moment),
)

holds = Table(
    "holds",
    metadata,
    Column("id", Integer, primary_key=True),
    _board_key(index=True),
    Column("code", String(32), nullable=False),
    Column("reason", Text, nullable=False),
    Column("by", String(32), nullable=False),
    Column("since", Moment, nullable=False),
    Column("released_at", Moment),
)

loans = Table(
    "loans",
    metadata,
    Column("id", String(40), primary_key=True),
    _board_key(index=True),
    Column("borrower", String(32), nullable=False),
    Column("lent_by", String(32), nullable=False),
    Column("lent_at", Moment, nullable=False),
    Column("due", Moment, nullable=False),
    Column("returned_at", Moment),
    Column("code_hash", String(64), index=True),
    Column("accessories", JSON(none_as_null=True)),
    Column("counted", JSON(none_as_null=True)),
    Column("dropped", Boolean),
    Column("wet", Boolean),
    Column("module_read", String(64)),
    Column("returned_by", String(32)),
    Column("asked", String(24)),
    Column("reasons", JSON(none_as_null=True)),
)

check_ins = Table(
    "check_ins",
    metadata,
    Column("id", Integer, primary_key=True),
    _board_key(index=True),
    Column("run", String(40), ForeignKey("runs.id"), nullable=False),
    Column("outcome", String(16), nullable=False),
    Column("sentence", Text, nullable=False),
    Column("by", String(32), nullable=False),
    Column("at", Moment, nullable=False),
)

outbox = Table(
    "outbox",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("site", String(64), ForeignKey("sites.name"), nullable=False),
    Column("topic", String(200), nullable=False),
    Column("payload", Text, nullable=False),
    Column("queued_at", Moment, nullable=False),
    Column("sent_at", Moment),
    Index("ix_outbox_unsent", "site", "sent_at", "id"),
)

requests = Table(
    "requests",
    metadata,
    _board_key(primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("do", String(16), nullable=False),
    Column("made_at", Moment, nullable=False),
    Column("by", String(32), nullable=False),
    Column("letter", Integer, ForeignKey("outbox.id"), nullable=False),
)

refusals = Table(
    "refusals",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("site", String(64), nullable=False),
    Column("arrival", String(200), nullable=False),
    Column("digest", String(32), nullable=False),
    Column("size", Integer, nullable=False),
    Column("code", String(40), nullable=False),
    Column("at", Moment, nullable=False),
    UniqueConstraint("digest", "code", "arrival"),
)

answers = Table(
    "answers",
    metadata,
    Column("name", String(64), primary_key=True),
    Column("request", String(64), nullable=False),
    Column("sealed", LargeBinary, nullable=False),
    Column("at", Moment, nullable=False, index=True),
)

changes = Table(
    "changes",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("chain", String(80), nullable=False),
    Column("position", Integer, nullable=False),
)  # no constraint leads to the ledger: where somebody took entries out by hand, work goes on and the audit tells

leases = Table(
    "leases",
    metadata,
    Column("name", String(80), primary_key=True),
    Column("owner", String(80), nullable=False),
    Column("until", Moment, nullable=False),
)
