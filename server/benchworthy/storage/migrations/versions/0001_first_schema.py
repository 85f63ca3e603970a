"""The first schema: boards, runs, evidence, the ledger, certificates, holds, loans and the outbox.

Revision: 0001, after
"""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "documents",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_documents")),
    )
    op.create_table(
        "leases",
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("owner", sa.String(length=80), nullable=False),
        sa.Column("until", sa.String(length=32), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_leases")),
    )
    op.create_table(
        "ledger",
        sa.Column("chain", sa.String(length=80), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("at", sa.String(length=32), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("holder", sa.String(length=32), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("text_hash", sa.String(length=64), nullable=True),
        sa.Column("previous", sa.String(length=64), nullable=False),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("chain", "position", name=op.f("pk_ledger")),
    )
    op.create_table(
        "refusals",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("arrival", sa.String(length=200), nullable=False),
        sa.Column("digest", sa.String(length=32), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=40), nullable=False),
        sa.Column("at", sa.String(length=32), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_refusals")),
        sa.UniqueConstraint("digest", "code", "arrival", name=op.f("uq_refusals_digest")),
    )
    op.create_table(
        "sites",
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_sites")),
    )
    op.create_table(
        "texts",
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("hash", name=op.f("pk_texts")),
    )
    op.create_table(
        "benches",
        sa.Column("thumbprint", sa.String(length=43), nullable=False),
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("jwk", sa.Text(), nullable=False),
        sa.Column("holder", sa.String(length=32), nullable=False),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        sa.Column("revoked_at", sa.String(length=32), nullable=True),
        sa.ForeignKeyConstraint(["site"], ["sites.name"], name=op.f("fk_benches_site")),
        sa.PrimaryKeyConstraint("thumbprint", name=op.f("pk_benches")),
    )
    op.create_table(
        "boards",
        sa.Column("serial", sa.String(length=24), nullable=False),
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("design", sa.String(length=64), nullable=False),
        sa.Column("virtual", sa.Boolean(), nullable=False),
        sa.Column("epoch", sa.Integer(), nullable=False),
        sa.Column("kit_lot", sa.String(length=64), nullable=True),
        sa.Column("inventory_ref", sa.String(length=64), nullable=True),
        sa.Column("enrolled_at", sa.String(length=32), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["site"], ["sites.name"], name=op.f("fk_boards_site")),
        sa.PrimaryKeyConstraint("serial", name=op.f("pk_boards")),
        sa.UniqueConstraint("inventory_ref", name=op.f("uq_boards_inventory_ref")),
    )
    op.create_table(
        "fixtures",
        sa.Column("serial", sa.String(length=32), nullable=False),
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("added_at", sa.String(length=32), nullable=False),
        sa.Column("check_due", sa.String(length=32), nullable=True),
        sa.ForeignKeyConstraint(["site"], ["sites.name"], name=op.f("fk_fixtures_site")),
        sa.PrimaryKeyConstraint("serial", name=op.f("pk_fixtures")),
    )
    op.create_table(
        "outbox",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("topic", sa.String(length=200), nullable=False),
        sa.Column("payload", sa.Text(), nullable=False),
        sa.Column("queued_at", sa.String(length=32), nullable=False),
        sa.Column("sent_at", sa.String(length=32), nullable=True),
        sa.ForeignKeyConstraint(["site"], ["sites.name"], name=op.f("fk_outbox_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outbox")),
    )
    with op.batch_alter_table("outbox", schema=None) as batch_op:
        batch_op.create_index("ix_outbox_unsent", ["site", "sent_at", "id"], unique=False)

    op.create_table(
        "tokens",
        sa.Column("fingerprint", sa.String(length=64), nullable=False),
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("role", sa.String(length=16), nullable=False),
        sa.Column("holder", sa.String(length=32), nullable=False),
        sa.Column("created_at", sa.String(length=32), nullable=False),
        sa.Column("expires_at", sa.String(length=32), nullable=True),
        sa.Column("revoked_at", sa.String(length=32), nullable=True),
        sa.ForeignKeyConstraint(["site"], ["sites.name"], name=op.f("fk_tokens_site")),
        sa.PrimaryKeyConstraint("fingerprint", name=op.f("pk_tokens")),
    )
    op.create_table(
        "findings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("serial", sa.String(length=24), nullable=False),
        sa.Column("run", sa.String(length=40), nullable=True),
        sa.Column("digest", sa.String(length=32), nullable=True),
        sa.Column("code", sa.String(length=32), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("at", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["serial"], ["boards.serial"], name=op.f("fk_findings_serial")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_findings")),
    )
    with op.batch_alter_table("findings", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_findings_serial"), ["serial"], unique=False)

    op.create_table(
        "holds",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("serial", sa.String(length=24), nullable=False),
        sa.Column("code", sa.String(length=32), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("by", sa.String(length=32), nullable=False),
        sa.Column("since", sa.String(length=32), nullable=False),
        sa.Column("released_at", sa.String(length=32), nullable=True),
        sa.ForeignKeyConstraint(["serial"], ["boards.serial"], name=op.f("fk_holds_serial")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_holds")),
    )
    with op.batch_alter_table("holds", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_holds_serial"), ["serial"], unique=False)

    op.create_table(
        "loans",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("serial", sa.String(length=24), nullable=False),
        sa.Column("borrower", sa.String(length=32), nullable=False),
        sa.Column("lent_by", sa.String(length=32), nullable=False),
        sa.Column("lent_at", sa.String(length=32), nullable=False),
        sa.Column("due", sa.String(length=32), nullable=False),
        sa.Column("returned_at", sa.String(length=32), nullable=True),
        sa.ForeignKeyConstraint(["serial"], ["boards.serial"], name=op.f("fk_loans_serial")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_loans")),
    )
    with op.batch_alter_table("loans", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_loans_serial"), ["serial"], unique=False)

    op.create_table(
        "modules",
        sa.Column("serial", sa.String(length=24), nullable=False),
        sa.Column("epoch", sa.Integer(), nullable=False),
        sa.Column("module", sa.String(length=64), nullable=True),
        sa.Column("bound_by_run", sa.String(length=40), nullable=True),
        sa.Column("since", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["serial"], ["boards.serial"], name=op.f("fk_modules_serial")),
        sa.PrimaryKeyConstraint("serial", "epoch", name=op.f("pk_modules")),
    )
    op.create_table(
        "runs",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("serial", sa.String(length=24), nullable=False),
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("test_set", sa.String(length=32), nullable=False),
        sa.Column("design", sa.String(length=64), nullable=False),
        sa.Column("judging", sa.String(length=64), nullable=False),
        sa.Column("guide", sa.String(length=64), nullable=False),
        sa.Column("bench", sa.String(length=43), nullable=False),
        sa.Column("scanned", sa.String(length=24), nullable=False),
        sa.Column("nonce", sa.String(length=32), nullable=False),
        sa.Column("opened_by", sa.String(length=32), nullable=False),
        sa.Column("opened_at", sa.String(length=32), nullable=False),
        sa.Column("expires_at", sa.String(length=32), nullable=False),
        sa.Column("closed_at", sa.String(length=32), nullable=True),
        sa.Column("closed_by", sa.String(length=32), nullable=True),
        sa.Column("summary", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["bench"], ["benches.thumbprint"], name=op.f("fk_runs_bench")),
        sa.ForeignKeyConstraint(["serial"], ["boards.serial"], name=op.f("fk_runs_serial")),
        sa.ForeignKeyConstraint(["site"], ["sites.name"], name=op.f("fk_runs_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_runs")),
    )
    with op.batch_alter_table("runs", schema=None) as batch_op:
        batch_op.create_index("ix_runs_serial_opened", ["serial", "opened_at"], unique=False)

    op.create_table(
        "certificates",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("serial", sa.String(length=24), nullable=False),
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("run", sa.String(length=40), nullable=False),
        sa.Column("token", sa.Text(), nullable=False),
        sa.Column("results", sa.String(length=64), nullable=False),
        sa.Column("issued_at", sa.String(length=32), nullable=False),
        sa.Column("valid_until", sa.String(length=32), nullable=False),
        sa.Column("issued_by", sa.String(length=32), nullable=False),
        sa.Column("lapse", sa.String(length=32), nullable=True),
        sa.Column("lapsed_at", sa.String(length=32), nullable=True),
        sa.ForeignKeyConstraint(["results"], ["documents.sha256"], name=op.f("fk_certificates_results")),
        sa.ForeignKeyConstraint(["run"], ["runs.id"], name=op.f("fk_certificates_run")),
        sa.ForeignKeyConstraint(["serial"], ["boards.serial"], name=op.f("fk_certificates_serial")),
        sa.ForeignKeyConstraint(["site"], ["sites.name"], name=op.f("fk_certificates_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_certificates")),
    )
    with op.batch_alter_table("certificates", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_certificates_serial"), ["serial"], unique=False)

    op.create_table(
        "check_ins",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("serial", sa.String(length=24), nullable=False),
        sa.Column("run", sa.String(length=40), nullable=False),
        sa.Column("outcome", sa.String(length=16), nullable=False),
        sa.Column("sentence", sa.Text(), nullable=False),
        sa.Column("by", sa.String(length=32), nullable=False),
        sa.Column("at", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["run"], ["runs.id"], name=op.f("fk_check_ins_run")),
        sa.ForeignKeyConstraint(["serial"], ["boards.serial"], name=op.f("fk_check_ins_serial")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_check_ins")),
    )
    with op.batch_alter_table("check_ins", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_check_ins_serial"), ["serial"], unique=False)

    op.create_table(
        "draws",
        sa.Column("run", sa.String(length=40), nullable=False),
        sa.Column("test", sa.String(length=32), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("stimulus", sa.JSON(), nullable=False),
        sa.Column("drawn_at", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["run"], ["runs.id"], name=op.f("fk_draws_run")),
        sa.PrimaryKeyConstraint("run", "test", "number", name=op.f("pk_draws")),
    )
    op.create_table(
        "evidence",
        sa.Column("digest", sa.String(length=32), nullable=False),
        sa.Column("serial", sa.String(length=24), nullable=False),
        sa.Column("run", sa.String(length=40), nullable=True),
        sa.Column("author", sa.String(length=16), nullable=False),
        sa.Column("part", sa.Integer(), nullable=True),
        sa.Column("evidence_class", sa.String(length=8), nullable=False),
        sa.Column("kid", sa.String(length=80), nullable=False),
        sa.Column("holder", sa.String(length=32), nullable=False),
        sa.Column("raw", sa.LargeBinary(), nullable=False),
        sa.Column("module", sa.String(length=64), nullable=True),
        sa.Column("epoch", sa.Integer(), nullable=True),
        sa.Column("boot", sa.Integer(), nullable=True),
        sa.Column("seq", sa.Integer(), nullable=True),
        sa.Column("arrival", sa.String(length=16), nullable=False),
        sa.Column("received_at", sa.String(length=32), nullable=False),
        sa.Column("receipt", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["run"], ["runs.id"], name=op.f("fk_evidence_run")),
        sa.ForeignKeyConstraint(["serial"], ["boards.serial"], name=op.f("fk_evidence_serial")),
        sa.PrimaryKeyConstraint("digest", name=op.f("pk_evidence")),
    )
    with op.batch_alter_table("evidence", schema=None) as batch_op:
        batch_op.create_index("ix_evidence_counters", ["serial", "epoch", "boot", "seq"], unique=False)
        batch_op.create_index("ix_evidence_run", ["run", "author", "part"], unique=False)
        batch_op.create_index(batch_op.f("ix_evidence_serial"), ["serial"], unique=False)

    op.create_table(
        "run_fixtures",
        sa.Column("run", sa.String(length=40), nullable=False),
        sa.Column("fixture", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["fixture"], ["fixtures.serial"], name=op.f("fk_run_fixtures_fixture")),
        sa.ForeignKeyConstraint(["run"], ["runs.id"], name=op.f("fk_run_fixtures_run")),
        sa.PrimaryKeyConstraint("run", "fixture", name=op.f("pk_run_fixtures")),
    )
    op.create_table(
        "verdicts",
        sa.Column("digest", sa.String(length=32), nullable=False),
        sa.Column("test", sa.String(length=32), nullable=False),
        sa.Column("quantity", sa.String(length=64), nullable=False),
        sa.Column("verdict", sa.String(length=16), nullable=False),
        sa.Column("value", sa.String(length=32), nullable=True),
        sa.Column("expanded", sa.String(length=32), nullable=True),
        sa.Column("unit", sa.String(length=32), nullable=True),
        sa.Column("judging", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["digest"], ["evidence.digest"], name=op.f("fk_verdicts_digest")),
        sa.PrimaryKeyConstraint("digest", "test", "quantity", name=op.f("pk_verdicts")),
    )


def downgrade() -> None:
    op.drop_table("verdicts")
    op.drop_table("run_fixtures")
    with op.batch_alter_table("evidence", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_evidence_serial"))
        batch_op.drop_index("ix_evidence_run")
        batch_op.drop_index("ix_evidence_counters")

    op.drop_table("evidence")
    op.drop_table("draws")
    with op.batch_alter_table("check_ins", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_check_ins_serial"))

    op.drop_table("check_ins")
    with op.batch_alter_table("certificates", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_certificates_serial"))

    op.drop_table("certificates")
    with op.batch_alter_table("runs", schema=None) as batch_op:
        batch_op.drop_index("ix_runs_serial_opened")

    op.drop_table("runs")
    op.drop_table("modules")
    with op.batch_alter_table("loans", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_loans_serial"))

    op.drop_table("loans")
    with op.batch_alter_table("holds", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_holds_serial"))

    op.drop_table("holds")
    with op.batch_alter_table("findings", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_findings_serial"))

    op.drop_table("findings")
    op.drop_table("tokens")
    with op.batch_alter_table("outbox", schema=None) as batch_op:
        batch_op.drop_index("ix_outbox_unsent")

    op.drop_table("outbox")
    op.drop_table("fixtures")
    op.drop_table("boards")
    op.drop_table("benches")
    op.drop_table("texts")
    op.drop_table("sites")
    op.drop_table("refusals")
    op.drop_table("ledger")
    op.drop_table("leases")
    op.drop_table("documents")
