"""The tables of the job record as typed classes.

Times are kept as UTC; booleans that may be None mean: not recorded.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import JSON, DateTime, Dialect, ForeignKey, Text, TypeDecorator, event
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship, validates

from soakmon.records.jobs.text import file_name, sought


class UtcTime(TypeDecorator[datetime]):
    """An aware time, kept without zone as UTC: SQLite knows no zones."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """To the database."""
        return None if value is None else value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """From the database."""
        return None if value is None else value.replace(tzinfo=UTC)


class Base(DeclarativeBase):
    """Base of all tables."""

    type_annotation_map = {  # noqa: RUF012 - SQLAlchemy reads it from the class
        datetime: UtcTime,
        str: Text,
        dict[str, Any]: JSON,
        dict[str, str]: JSON,
    }


def search_text(values: Mapping[str, Any]) -> str:
    """What a job is found by: all that a list shows of it, without case and accents."""
    return sought("\n".join(str(values.get(name) or "") for name in SEARCHED))


SEARCHED = ("number", "customer", "machine", "rack")


class Job(Base):
    """One rack of one customer. number: YEAR-NNNN; sought: see `search_text`."""

    __tablename__ = "job"
    id: Mapped[int] = mapped_column(primary_key=True)
    number: Mapped[str] = mapped_column(unique=True)
    created: Mapped[datetime]
    customer: Mapped[str]
    machine: Mapped[str]
    rack: Mapped[str]
    carb_count: Mapped[int]
    # Written by the database: of which shop whoever asks is; empty where there is but one.
    shop: Mapped[str] = mapped_column(server_default="")
    sought: Mapped[str | None] = mapped_column(
        default=lambda context: search_text(context.get_current_parameters())
    )
    carbs: Mapped[list[Carb]] = relationship(order_by="Carb.place", cascade="all, delete-orphan")
    checklist: Mapped[list[ChecklistItem]] = relationship(
        order_by="ChecklistItem.place", cascade="all, delete-orphan"
    )
    notes: Mapped[list[Note]] = relationship(
        order_by="Note.at, Note.id", cascade="all, delete-orphan"
    )
    results: Mapped[list[StoredResult]] = relationship(
        order_by="StoredResult.at, StoredResult.id", cascade="all, delete-orphan"
    )
    attachments: Mapped[list[Attachment]] = relationship(
        order_by="Attachment.id", cascade="all, delete-orphan"
    )
    corrections: Mapped[list[Correction]] = relationship(
        order_by="Correction.at, Correction.id", cascade="all, delete-orphan"
    )


@event.listens_for(Job, "before_update")
def _search_text_anew(_mapper: object, _connection: object, job: Job) -> None:
    """What was put right is found by what it says now."""
    job.sought = search_text({name: getattr(job, name) for name in SEARCHED})


class Carb(Base):
    """What was found and renewed in one carburettor; place counts from 1."""

    __tablename__ = "carb"
    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(ForeignKey("job.id", ondelete="CASCADE"))
    place: Mapped[int]
    jets: Mapped[dict[str, str]] = mapped_column(default=dict)
    mixture_turns: Mapped[float | None]
    mixture_turns_book: Mapped[float | None]
    float_height_mm: Mapped[float | None]
    float_height_low_mm: Mapped[float | None]
    float_height_high_mm: Mapped[float | None]
    float_shaken_dry: Mapped[bool | None]
    needle_seat_renewed: Mapped[bool | None]
    bowl_gasket_renewed: Mapped[bool | None]
    drain_oring_renewed: Mapped[bool | None]
    overflow_lip: Mapped[str | None]
    accelerator_pump: Mapped[str | None]
    air_cutoff: Mapped[str | None]
    notes: Mapped[str | None]


class ChecklistItem(Base):
    """A task of the reassembly checklist, with who did it and when."""

    __tablename__ = "checklist"
    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(ForeignKey("job.id", ondelete="CASCADE"))
    place: Mapped[int]
    task: Mapped[str]
    done_by: Mapped[str | None]
    done_at: Mapped[datetime | None]


class Note(Base):
    """A dated note on the job, or on one carb. written_by: empty where it is not known."""

    __tablename__ = "note"
    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(ForeignKey("job.id", ondelete="CASCADE"))
    at: Mapped[datetime]
    carb: Mapped[int | None]
    text: Mapped[str]
    written_by: Mapped[str] = mapped_column(default="")


class StoredResult(Base):
    """Result of a soak or bench test. job_id None: it is the bench's own, such as a calibration.

    bench: name of the bench it was made on; None: not known.
    """

    __tablename__ = "result"
    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int | None] = mapped_column(ForeignKey("job.id", ondelete="CASCADE"))
    at: Mapped[datetime]
    kind: Mapped[str]
    summary: Mapped[str]
    data: Mapped[dict[str, Any]]
    bench: Mapped[str | None]
    shop: Mapped[str] = mapped_column(server_default="")


class Attachment(Base):
    """A file of a job (result_id: of one of its results), kept by its SHA-256."""

    __tablename__ = "attachment"
    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(ForeignKey("job.id", ondelete="CASCADE"))
    result_id: Mapped[int | None] = mapped_column(ForeignKey("result.id", ondelete="CASCADE"))
    at: Mapped[datetime]
    name: Mapped[str]
    sha256: Mapped[str]
    size_bytes: Mapped[int]
    caption: Mapped[str]

    @validates("name")
    def _named(self, _: str, name: str) -> str:
        """Uploads, imports and files of this machine: all come through here."""
        return file_name(name)


class AttachmentBlock(Base):
    """A block of an attachment's content, in the database: see `shared_files`."""

    __tablename__ = "attachment_block"
    shop: Mapped[str] = mapped_column(primary_key=True, server_default="")
    sha256: Mapped[str] = mapped_column(primary_key=True)
    place: Mapped[int] = mapped_column(primary_key=True)
    data: Mapped[bytes]


class Correction(Base):
    """Something of a job that was put right: who and when, and what stood there before.

    part: job, carb, note or file; place: which of them, counting from 1 (None: the job itself);
    field: what of it.
    """

    __tablename__ = "correction"
    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(ForeignKey("job.id", ondelete="CASCADE"))
    at: Mapped[datetime]
    by_whom: Mapped[str]
    part: Mapped[str]
    place: Mapped[int | None]
    field: Mapped[str]
    before: Mapped[str]
    after: Mapped[str]
