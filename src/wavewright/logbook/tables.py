"""The tables of the logbook. Times are whole microseconds since 1970-01-01 UTC, and sort as numbers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from sqlalchemy import BigInteger, Column, Float, ForeignKey, Index, Integer, MetaData, String, Table, Text

metadata = MetaData()

versions = Table("layout_version", metadata, Column("version", Integer, primary_key=True))

# Recipes, bench files and profiles: each text once, however many runs were made from it.
texts = Table(
    "texts",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("text", Text, nullable=False),
)

outcomes = Table(
    "outcomes",
    metadata,
    Column("id", String(40), primary_key=True),
    Column("started", BigInteger, nullable=False),
    Column("ended", BigInteger, nullable=False),
    Column("verdict", String(12), nullable=False),
    Column("title", Text, nullable=False),
    Column("recipe", Text, nullable=False),
    Column("recipe_sha256", String(64), ForeignKey("texts.sha256"), nullable=False),
    Column("part", Text, nullable=False),
    Column("serial", Text, nullable=False),
    Column("operator", Text, nullable=False),
    Column("station", Text, nullable=False),
    Column("batch", Text, nullable=False),
    Column("simulated", Integer, nullable=False, server_default="0"),  # 1 where no real instrument measured
    # the whole outcome as outcome.json has it, but for the texts: nothing that a run said is lost in columns
    Column("document", Text, nullable=False),
    Index("outcomes_by_time", "started"),
    Index("outcomes_by_serial", "serial", "started"),
    Index("outcomes_by_part", "part", "started"),
    Index("outcomes_by_batch", "batch", "serial"),
)

readings = Table(
    "readings",
    metadata,
    Column("outcome", String(40), ForeignKey("outcomes.id", ondelete="CASCADE"), primary_key=True),
    Column("name", Text, primary_key=True),
    Column("started", BigInteger, nullable=False),
    Column("metric", Text, nullable=False),
    Column("value", Float(53)),
    Column("unit", String(24), nullable=False),
    Column("uncertainty", Float(53)),
    Column("low", Float(53)),
    Column("high", Float(53)),
    Column("margin", Float(53)),
    Column("verdict", String(12)),  # empty where there is no limit
    # covers a trend: it is read from the index alone
    Index("readings_by_name", "name", "started", "value", "verdict", "outcome"),
)

captures = Table(
    "captures",
    metadata,
    Column("outcome", String(40), ForeignKey("outcomes.id", ondelete="CASCADE"), primary_key=True),
    Column("label", Text, primary_key=True),
    Column("sha256", String(64), nullable=False),
    Column("shots", Text, nullable=False),  # scale, times and settings of each shot, as JSON; the codes are in the file
    Index("captures_by_content", "sha256"),
)

# The chain of each station: one link per run that was entered, per note of what began, or was taken out rightly, and
# per note of the line (`line_notes.py`).
# Links stay when runs go. See `chain.py`.
links = Table(
    "links",
    metadata,
    Column("station", Text, primary_key=True),
    Column("position", BigInteger, primary_key=True, autoincrement=False),
    Column("coverage", Integer, nullable=False),  # which columns the hashes of this link cover
    Column("kind", String(12), nullable=False),
    Column("run", String(40), nullable=False),  # its own id for a note of the line; empty for any other note
    Column("row_sha256", String(64), nullable=False),
    Column("readings_sha256", String(64), nullable=False),
    Column("captures_sha256", String(64), nullable=False),
    Column("note", Text, nullable=False),
    Column("previous", String(64), nullable=False),
    Column("sha256", String(64), nullable=False),
    Index("links_by_kind", "kind", "run"),  # notes of the line are few among the links of runs
)

heads = Table(
    "heads",
    metadata,
    Column("station", Text, primary_key=True),
    Column("length", BigInteger, nullable=False),
    Column("sha256", String(64), nullable=False),
)

# Where else captures are than on the computer that measured: every store that was ever written to.
stores = Table(
    "capture_stores",
    metadata,
    Column("url", Text, primary_key=True),
    Column("since", BigInteger, nullable=False),
)

# Answers about many runs or files, that may be asked for again: see `archive/`. They follow from records, and are none.
archive_queries = Table(
    "archive_queries",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("words", Text, nullable=False),  # JSON
    Column("since", BigInteger, nullable=False),
)

answers = Table(
    "answers",
    metadata,
    Column("query", String(64), ForeignKey("archive_queries.sha256", ondelete="CASCADE"), primary_key=True),
    Column("item", Text, primary_key=True),
    Column("is_faulty", Integer, nullable=False),
    Column("stamp", Text, nullable=False),
    Column("answer", Text, nullable=False),  # JSON
)

GOLDEN_BATCH = "golden"  # the batch of golden units: no batch of others may be called so, and no yield counts them
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def microseconds(moment: datetime) -> int:
    """A time as the tables hold it; a naive one is taken for UTC."""
    aware = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return (aware - EPOCH) // timedelta(microseconds=1)


def moment_of(count: int) -> datetime:
    """The time, UTC, that the tables hold as a number."""
    return EPOCH + timedelta(microseconds=count)
