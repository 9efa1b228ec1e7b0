"""The first tables, and the triggers that let nobody change the audit log."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
UTC = sa.DateTime(timezone=True)
REFUSE_SQLITE = """
CREATE TRIGGER audit_{what} BEFORE {what} ON audit
BEGIN SELECT RAISE(ABORT, 'the audit log is only ever added to'); END
"""
REFUSE_POSTGRESQL = """
CREATE FUNCTION audit_refuse() RETURNS trigger LANGUAGE plpgsql AS
$$ BEGIN RAISE EXCEPTION 'the audit log is only ever added to'; END $$;
CREATE TRIGGER audit_change BEFORE UPDATE OR DELETE OR TRUNCATE ON audit
FOR EACH STATEMENT EXECUTE FUNCTION audit_refuse();
"""


def upgrade() -> None:
    """Make every table, then guard the log."""
    _tables()
    if op.get_bind().dialect.name == "sqlite":
        for what in ("UPDATE", "DELETE"):
            op.execute(REFUSE_SQLITE.format(what=what))
    else:
        for statement in REFUSE_POSTGRESQL.split(";\n"):
            if statement.strip():
                op.execute(statement)


def _tables() -> None:
    op.create_table(
        "audit",
        sa.Column("seq", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", sa.String(length=40), nullable=False),
        sa.Column("actor", sa.Text(), nullable=False),
        sa.Column("action", sa.String(length=60), nullable=False),
        sa.Column("about", sa.Text(), nullable=False),
        sa.Column("details", sa.Text(), nullable=False),
        sa.Column("before", sa.String(length=64), nullable=False),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_audit")),
        sa.UniqueConstraint("hash", name=op.f("uq_audit_hash")),
    )
    op.create_index(op.f("ix_audit_about"), "audit", ["about"], unique=False)
    op.create_index(op.f("ix_audit_action"), "audit", ["action"], unique=False)
    op.create_table(
        "blobs",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("bytes", sa.BigInteger(), nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("erased_at", UTC, nullable=True),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_blobs")),
    )
    op.create_table(
        "people",
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("email", sa.Text(), nullable=True),
        sa.Column("login", sa.Text(), nullable=True),
        sa.Column("password", sa.Text(), nullable=True),
        sa.Column("issuer", sa.Text(), nullable=True),
        sa.Column("subject", sa.Text(), nullable=True),
        sa.Column("language", sa.Text(), nullable=True),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("stopped_at", UTC, nullable=True),
        sa.Column("erased_at", UTC, nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_people")),
        sa.UniqueConstraint("code", name=op.f("uq_people_code")),
        sa.UniqueConstraint("issuer", "subject", name=op.f("uq_people_issuer_subject")),
        sa.UniqueConstraint("login", name=op.f("uq_people_login")),
    )
    op.create_table(
        "school_settings",
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.Column("changed_at", UTC, nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_school_settings")),
    )
    op.create_table(
        "sites",
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("hidden_at", UTC, nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sites")),
        sa.UniqueConstraint("name", name=op.f("uq_sites_name")),
    )
    op.create_table(
        "exercise_versions",
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("exercise", sa.Text(), nullable=False),
        sa.Column("version", sa.Text(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("family", sa.String(length=20), nullable=False),
        sa.Column("tooth", sa.Integer(), nullable=True),
        sa.Column("builtin", sa.Boolean(), nullable=False),
        sa.Column("blob", sa.String(length=64), nullable=False),
        sa.Column("definition", sa.JSON(), nullable=False),
        sa.Column("proof", sa.JSON(), nullable=True),
        sa.Column("can_be_cut", sa.Boolean(), nullable=True),
        sa.Column("can_be_marked", sa.Boolean(), nullable=True),
        sa.Column("imported_by", sa.String(length=20), nullable=True),
        sa.Column("imported_at", UTC, nullable=False),
        sa.Column("hidden_at", UTC, nullable=True),
        sa.ForeignKeyConstraint(["blob"], ["blobs.sha256"], name=op.f("fk_exercise_versions_blob")),
        sa.ForeignKeyConstraint(["imported_by"], ["people.id"], name=op.f("fk_exercise_versions_imported_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_exercise_versions")),
        sa.UniqueConstraint("version", name=op.f("uq_exercise_versions_version")),
    )
    op.create_index(op.f("ix_exercise_versions_exercise"), "exercise_versions", ["exercise"], unique=False)
    op.create_table(
        "grants",
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("person_id", sa.String(length=20), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("site_id", sa.String(length=20), nullable=True),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("ended_at", UTC, nullable=True),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_grants_person_id")),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_grants_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_grants")),
    )
    op.create_index(op.f("ix_grants_person_id"), "grants", ["person_id"], unique=False)
    op.create_index(op.f("ix_grants_site_id"), "grants", ["site_id"], unique=False)
    op.create_table(
        "one_time_links",
        sa.Column("secret_sha256", sa.String(length=64), nullable=False),
        sa.Column("purpose", sa.String(length=20), nullable=False),
        sa.Column("person_id", sa.String(length=20), nullable=True),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("ends_at", UTC, nullable=False),
        sa.Column("used_at", UTC, nullable=True),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_one_time_links_person_id")),
        sa.PrimaryKeyConstraint("secret_sha256", name=op.f("pk_one_time_links")),
    )
    op.create_index(op.f("ix_one_time_links_person_id"), "one_time_links", ["person_id"], unique=False)
    op.create_table(
        "sign_ins",
        sa.Column("secret_sha256", sa.String(length=64), nullable=False),
        sa.Column("person_id", sa.String(length=20), nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("seen_at", UTC, nullable=False),
        sa.Column("ends_at", UTC, nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_sign_ins_person_id")),
        sa.PrimaryKeyConstraint("secret_sha256", name=op.f("pk_sign_ins")),
    )
    op.create_index(op.f("ix_sign_ins_person_id"), "sign_ins", ["person_id"], unique=False)
    op.create_table(
        "station_keys",
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("secret_sha256", sa.String(length=64), nullable=False),
        sa.Column("site_id", sa.String(length=20), nullable=False),
        sa.Column("rig", sa.Text(), nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("used_at", UTC, nullable=True),
        sa.Column("stopped_at", UTC, nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_station_keys_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_station_keys")),
        sa.UniqueConstraint("secret_sha256", name=op.f("uq_station_keys_secret_sha256")),
    )
    op.create_index(op.f("ix_station_keys_site_id"), "station_keys", ["site_id"], unique=False)
    op.create_table(
        "tokens",
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("secret_sha256", sa.String(length=64), nullable=False),
        sa.Column("person_id", sa.String(length=20), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("scopes", sa.JSON(), nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("ends_at", UTC, nullable=True),
        sa.Column("used_at", UTC, nullable=True),
        sa.Column("stopped_at", UTC, nullable=True),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_tokens_person_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tokens")),
        sa.UniqueConstraint("secret_sha256", name=op.f("uq_tokens_secret_sha256")),
    )
    op.create_index(op.f("ix_tokens_person_id"), "tokens", ["person_id"], unique=False)
    op.create_table(
        "traits",
        sa.Column("person_id", sa.String(length=20), nullable=False),
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.Column("consented_at", UTC, nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_traits_person_id")),
        sa.PrimaryKeyConstraint("person_id", "name", name=op.f("pk_traits")),
    )
    op.create_table(
        "criteria",
        sa.Column("exercise_version_id", sa.String(length=20), nullable=False),
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("reading", sa.Text(), nullable=False),
        sa.Column("place", sa.Text(), nullable=True),
        sa.Column("stat", sa.Text(), nullable=True),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("lower", sa.Float(precision=53), nullable=True),
        sa.Column("upper", sa.Float(precision=53), nullable=True),
        sa.Column("weight", sa.Float(precision=53), nullable=False),
        sa.Column("critical", sa.Boolean(), nullable=False),
        sa.Column("ask", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["exercise_version_id"], ["exercise_versions.id"], name=op.f("fk_criteria_exercise_version_id")
        ),
        sa.PrimaryKeyConstraint("exercise_version_id", "position", name=op.f("pk_criteria")),
    )
    op.create_table(
        "sittings",
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("site_id", sa.String(length=20), nullable=False),
        sa.Column("exercise_version_id", sa.String(length=20), nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("opens_at", UTC, nullable=False),
        sa.Column("closes_at", UTC, nullable=True),
        sa.Column("attempts", sa.Integer(), nullable=True),
        sa.Column("blind", sa.Boolean(), nullable=False),
        sa.Column("own_view", sa.Boolean(), nullable=False),
        sa.Column("second", sa.String(length=10), nullable=False),
        sa.Column("second_share", sa.Float(precision=53), nullable=False),
        sa.Column("agree_percent", sa.Float(precision=53), nullable=False),
        sa.Column("prompts", sa.JSON(), nullable=False),
        sa.Column("limits", sa.JSON(), nullable=True),
        sa.Column("simulated", sa.Boolean(), nullable=False),
        sa.Column("opened_by", sa.String(length=20), nullable=True),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("closed_at", UTC, nullable=True),
        sa.ForeignKeyConstraint(
            ["exercise_version_id"], ["exercise_versions.id"], name=op.f("fk_sittings_exercise_version_id")
        ),
        sa.ForeignKeyConstraint(["opened_by"], ["people.id"], name=op.f("fk_sittings_opened_by")),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_sittings_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sittings")),
    )
    op.create_index(op.f("ix_sittings_exercise_version_id"), "sittings", ["exercise_version_id"], unique=False)
    op.create_index(op.f("ix_sittings_site_id"), "sittings", ["site_id"], unique=False)
    op.create_table(
        "appointments",
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("sitting_id", sa.String(length=20), nullable=False),
        sa.Column("person_id", sa.String(length=20), nullable=False),
        sa.Column("part", sa.String(length=10), nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("ended_at", UTC, nullable=True),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_appointments_person_id")),
        sa.ForeignKeyConstraint(["sitting_id"], ["sittings.id"], name=op.f("fk_appointments_sitting_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_appointments")),
        sa.UniqueConstraint("sitting_id", "person_id", "part", name=op.f("uq_appointments_sitting_id_person_id_part")),
    )
    op.create_index(op.f("ix_appointments_person_id"), "appointments", ["person_id"], unique=False)
    op.create_index(op.f("ix_appointments_sitting_id"), "appointments", ["sitting_id"], unique=False)
    op.create_table(
        "releases",
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("sitting_id", sa.String(length=20), nullable=False),
        sa.Column("person_id", sa.String(length=20), nullable=False),
        sa.Column("pieces", sa.Integer(), nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_releases_person_id")),
        sa.ForeignKeyConstraint(["sitting_id"], ["sittings.id"], name=op.f("fk_releases_sitting_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_releases")),
    )
    op.create_index(op.f("ix_releases_person_id"), "releases", ["person_id"], unique=False)
    op.create_index(op.f("ix_releases_sitting_id"), "releases", ["sitting_id"], unique=False)
    op.create_table(
        "seats",
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("sitting_id", sa.String(length=20), nullable=False),
        sa.Column("learner_id", sa.String(length=20), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("place", sa.Text(), nullable=True),
        sa.Column("made_at", UTC, nullable=False),
        sa.ForeignKeyConstraint(["learner_id"], ["people.id"], name=op.f("fk_seats_learner_id")),
        sa.ForeignKeyConstraint(["sitting_id"], ["sittings.id"], name=op.f("fk_seats_sitting_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_seats")),
        sa.UniqueConstraint("sitting_id", "code", name=op.f("uq_seats_sitting_id_code")),
        sa.UniqueConstraint("sitting_id", "learner_id", name=op.f("uq_seats_sitting_id_learner_id")),
    )
    op.create_index(op.f("ix_seats_learner_id"), "seats", ["learner_id"], unique=False)
    op.create_index(op.f("ix_seats_sitting_id"), "seats", ["sitting_id"], unique=False)
    op.create_table(
        "pieces",
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("sitting_id", sa.String(length=20), nullable=False),
        sa.Column("seat_id", sa.String(length=20), nullable=False),
        sa.Column("learner_id", sa.String(length=20), nullable=False),
        sa.Column("exercise_version_id", sa.String(length=20), nullable=False),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("idempotency_key", sa.String(length=64), nullable=False),
        sa.Column("blob", sa.String(length=64), nullable=False),
        sa.Column("file_name", sa.Text(), nullable=False),
        sa.Column("unit", sa.String(length=4), nullable=True),
        sa.Column("neighbours", sa.JSON(), nullable=False),
        sa.Column("rig_blob", sa.String(length=64), nullable=True),
        sa.Column("kind", sa.String(length=10), nullable=True),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column("station_id", sa.String(length=20), nullable=True),
        sa.Column("handed_in_by", sa.String(length=20), nullable=True),
        sa.Column("received_at", UTC, nullable=False),
        sa.Column("simulated", sa.Boolean(), nullable=False),
        sa.Column("erased_at", UTC, nullable=True),
        sa.ForeignKeyConstraint(["blob"], ["blobs.sha256"], name=op.f("fk_pieces_blob")),
        sa.ForeignKeyConstraint(
            ["exercise_version_id"], ["exercise_versions.id"], name=op.f("fk_pieces_exercise_version_id")
        ),
        sa.ForeignKeyConstraint(["handed_in_by"], ["people.id"], name=op.f("fk_pieces_handed_in_by")),
        sa.ForeignKeyConstraint(["learner_id"], ["people.id"], name=op.f("fk_pieces_learner_id")),
        sa.ForeignKeyConstraint(["rig_blob"], ["blobs.sha256"], name=op.f("fk_pieces_rig_blob")),
        sa.ForeignKeyConstraint(["seat_id"], ["seats.id"], name=op.f("fk_pieces_seat_id")),
        sa.ForeignKeyConstraint(["sitting_id"], ["sittings.id"], name=op.f("fk_pieces_sitting_id")),
        sa.ForeignKeyConstraint(["station_id"], ["station_keys.id"], name=op.f("fk_pieces_station_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pieces")),
        sa.UniqueConstraint("idempotency_key", name=op.f("uq_pieces_idempotency_key")),
        sa.UniqueConstraint("seat_id", "attempt", name=op.f("uq_pieces_seat_id_attempt")),
    )
    op.create_index(op.f("ix_pieces_blob"), "pieces", ["blob"], unique=False)
    op.create_index(op.f("ix_pieces_exercise_version_id"), "pieces", ["exercise_version_id"], unique=False)
    op.create_index(op.f("ix_pieces_learner_id"), "pieces", ["learner_id"], unique=False)
    op.create_index(op.f("ix_pieces_seat_id"), "pieces", ["seat_id"], unique=False)
    op.create_index(op.f("ix_pieces_sitting_id"), "pieces", ["sitting_id"], unique=False)
    op.create_index("pieces_by_state", "pieces", ["sitting_id", "state"], unique=False)
    op.create_table(
        "appeals",
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("piece_id", sa.String(length=20), nullable=False),
        sa.Column("learner_id", sa.String(length=20), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("answer", sa.Text(), nullable=True),
        sa.Column("answered_by", sa.String(length=20), nullable=True),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("answered_at", UTC, nullable=True),
        sa.ForeignKeyConstraint(["answered_by"], ["people.id"], name=op.f("fk_appeals_answered_by")),
        sa.ForeignKeyConstraint(["learner_id"], ["people.id"], name=op.f("fk_appeals_learner_id")),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_appeals_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_appeals")),
    )
    op.create_index(op.f("ix_appeals_learner_id"), "appeals", ["learner_id"], unique=False)
    op.create_index(op.f("ix_appeals_piece_id"), "appeals", ["piece_id"], unique=False)
    op.create_table(
        "assessments",
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("piece_id", sa.String(length=20), nullable=False),
        sa.Column("exercise_version_id", sa.String(length=20), nullable=False),
        sa.Column("blob", sa.String(length=64), nullable=True),
        sa.Column("kerfmark", sa.Text(), nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("rms_um", sa.Float(precision=53), nullable=False),
        sa.Column("overlap", sa.Float(precision=53), nullable=False),
        sa.Column("modelled", sa.Boolean(), nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.ForeignKeyConstraint(["blob"], ["blobs.sha256"], name=op.f("fk_assessments_blob")),
        sa.ForeignKeyConstraint(
            ["exercise_version_id"], ["exercise_versions.id"], name=op.f("fk_assessments_exercise_version_id")
        ),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_assessments_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_assessments")),
    )
    op.create_index(op.f("ix_assessments_exercise_version_id"), "assessments", ["exercise_version_id"], unique=False)
    op.create_index(op.f("ix_assessments_piece_id"), "assessments", ["piece_id"], unique=False)
    op.create_table(
        "jobs",
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("piece_id", sa.String(length=20), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("claimed_by", sa.Text(), nullable=True),
        sa.Column("claimed_until", UTC, nullable=True),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("ended_at", UTC, nullable=True),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_jobs_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_jobs")),
    )
    op.create_index(op.f("ix_jobs_piece_id"), "jobs", ["piece_id"], unique=False)
    op.create_index(op.f("ix_jobs_state"), "jobs", ["state"], unique=False)
    op.create_table(
        "notes",
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("piece_id", sa.String(length=20), nullable=False),
        sa.Column("author_id", sa.String(length=20), nullable=False),
        sa.Column("part", sa.String(length=10), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("criterion", sa.Integer(), nullable=True),
        sa.Column("x_mm", sa.Float(precision=53), nullable=True),
        sa.Column("y_mm", sa.Float(precision=53), nullable=True),
        sa.Column("z_mm", sa.Float(precision=53), nullable=True),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("withdrawn_at", UTC, nullable=True),
        sa.ForeignKeyConstraint(["author_id"], ["people.id"], name=op.f("fk_notes_author_id")),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_notes_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_notes")),
    )
    op.create_index(op.f("ix_notes_piece_id"), "notes", ["piece_id"], unique=False)
    op.create_table(
        "own_views",
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("piece_id", sa.String(length=20), nullable=False),
        sa.Column("learner_id", sa.String(length=20), nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.ForeignKeyConstraint(["learner_id"], ["people.id"], name=op.f("fk_own_views_learner_id")),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_own_views_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_own_views")),
        sa.UniqueConstraint("piece_id", name=op.f("uq_own_views_piece_id")),
    )
    op.create_index(op.f("ix_own_views_learner_id"), "own_views", ["learner_id"], unique=False)
    op.create_table(
        "reflections",
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("piece_id", sa.String(length=20), nullable=False),
        sa.Column("learner_id", sa.String(length=20), nullable=False),
        sa.Column("answers", sa.JSON(), nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.ForeignKeyConstraint(["learner_id"], ["people.id"], name=op.f("fk_reflections_learner_id")),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_reflections_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reflections")),
    )
    op.create_index(op.f("ix_reflections_learner_id"), "reflections", ["learner_id"], unique=False)
    op.create_index(op.f("ix_reflections_piece_id"), "reflections", ["piece_id"], unique=False)
    op.create_table(
        "drawings",
        sa.Column("assessment_id", sa.String(length=20), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("blob", sa.String(length=64), nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.ForeignKeyConstraint(["assessment_id"], ["assessments.id"], name=op.f("fk_drawings_assessment_id")),
        sa.ForeignKeyConstraint(["blob"], ["blobs.sha256"], name=op.f("fk_drawings_blob")),
        sa.PrimaryKeyConstraint("assessment_id", "kind", name=op.f("pk_drawings")),
    )
    op.create_table(
        "markings",
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("piece_id", sa.String(length=20), nullable=False),
        sa.Column("assessment_id", sa.String(length=20), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("percent", sa.Float(precision=53), nullable=True),
        sa.Column("outcome", sa.String(length=10), nullable=False),
        sa.Column("least_percent", sa.Float(precision=53), nullable=True),
        sa.Column("most_percent", sa.Float(precision=53), nullable=True),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.ForeignKeyConstraint(["assessment_id"], ["assessments.id"], name=op.f("fk_markings_assessment_id")),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_markings_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_markings")),
        sa.UniqueConstraint("piece_id", "number", name=op.f("uq_markings_piece_id_number")),
    )
    op.create_index(op.f("ix_markings_assessment_id"), "markings", ["assessment_id"], unique=False)
    op.create_index(op.f("ix_markings_piece_id"), "markings", ["piece_id"], unique=False)
    op.create_table(
        "own_views_criteria",
        sa.Column("own_view_id", sa.String(length=20), nullable=False),
        sa.Column("criterion", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("view", sa.String(length=12), nullable=False),
        sa.Column("confidence", sa.String(length=12), nullable=True),
        sa.ForeignKeyConstraint(["own_view_id"], ["own_views.id"], name=op.f("fk_own_views_criteria_own_view_id")),
        sa.PrimaryKeyConstraint("own_view_id", "criterion", name=op.f("pk_own_views_criteria")),
    )
    op.create_table(
        "readings",
        sa.Column("assessment_id", sa.String(length=20), nullable=False),
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("criterion", sa.Integer(), nullable=True),
        sa.Column("reading", sa.Text(), nullable=False),
        sa.Column("place", sa.Text(), nullable=True),
        sa.Column("stat", sa.Text(), nullable=True),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("value", sa.Float(precision=53), nullable=True),
        sa.Column("u", sa.Float(precision=53), nullable=True),
        sa.Column("status", sa.String(length=16), nullable=False),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["assessment_id"], ["assessments.id"], name=op.f("fk_readings_assessment_id")),
        sa.PrimaryKeyConstraint("assessment_id", "position", name=op.f("pk_readings")),
    )
    op.create_table(
        "examinations",
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("piece_id", sa.String(length=20), nullable=False),
        sa.Column("marking_id", sa.String(length=20), nullable=False),
        sa.Column("examiner_id", sa.String(length=20), nullable=False),
        sa.Column("part", sa.String(length=10), nullable=False),
        sa.Column("round", sa.Integer(), nullable=False),
        sa.Column("percent", sa.Float(precision=53), nullable=True),
        sa.Column("grade", sa.Integer(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.ForeignKeyConstraint(["examiner_id"], ["people.id"], name=op.f("fk_examinations_examiner_id")),
        sa.ForeignKeyConstraint(["marking_id"], ["markings.id"], name=op.f("fk_examinations_marking_id")),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_examinations_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_examinations")),
        sa.UniqueConstraint("piece_id", "part", "round", name=op.f("uq_examinations_piece_id_part_round")),
    )
    op.create_index(op.f("ix_examinations_examiner_id"), "examinations", ["examiner_id"], unique=False)
    op.create_index(op.f("ix_examinations_piece_id"), "examinations", ["piece_id"], unique=False)
    op.create_table(
        "rulings",
        sa.Column("marking_id", sa.String(length=20), nullable=False),
        sa.Column("criterion", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("lower", sa.Float(precision=53), nullable=True),
        sa.Column("upper", sa.Float(precision=53), nullable=True),
        sa.Column("probability_inside", sa.Float(precision=53), nullable=True),
        sa.Column("ruling", sa.String(length=20), nullable=False),
        sa.ForeignKeyConstraint(["marking_id"], ["markings.id"], name=op.f("fk_rulings_marking_id")),
        sa.PrimaryKeyConstraint("marking_id", "criterion", name=op.f("pk_rulings")),
    )
    op.create_table(
        "signatures",
        sa.Column("id", sa.String(length=20), nullable=False),
        sa.Column("piece_id", sa.String(length=20), nullable=False),
        sa.Column("marking_id", sa.String(length=20), nullable=False),
        sa.Column("person_id", sa.String(length=20), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("percent", sa.Float(precision=53), nullable=True),
        sa.Column("outcome", sa.String(length=10), nullable=False),
        sa.Column("basis", sa.JSON(), nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.ForeignKeyConstraint(["marking_id"], ["markings.id"], name=op.f("fk_signatures_marking_id")),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_signatures_person_id")),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_signatures_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_signatures")),
        sa.UniqueConstraint("piece_id", "number", name=op.f("uq_signatures_piece_id_number")),
    )
    op.create_index(op.f("ix_signatures_person_id"), "signatures", ["person_id"], unique=False)
    op.create_index(op.f("ix_signatures_piece_id"), "signatures", ["piece_id"], unique=False)
    op.create_table(
        "examinations_criteria",
        sa.Column("examination_id", sa.String(length=20), nullable=False),
        sa.Column("criterion", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("ruling", sa.String(length=20), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["examination_id"], ["examinations.id"], name=op.f("fk_examinations_criteria_examination_id")
        ),
        sa.PrimaryKeyConstraint("examination_id", "criterion", name=op.f("pk_examinations_criteria")),
    )
