"""What desks wrote, read: clean.repair_lines become clean.classified_lines, the catalogue's names become components."""

from __future__ import annotations

import functools
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.settings import Settings
from pipeline.store import read_table, write_table

if TYPE_CHECKING:
    import duckdb

    from pipeline.intake.vocabulary import Vocabulary


@functools.lru_cache(maxsize=1)
def _shipped_vocabulary() -> Vocabulary:
    """The shipped words, read once a process: a run asks for them more than once."""
    from pipeline.intake.vocabulary import load_vocabulary

    return load_vocabulary([])


def vocabulary_of(settings: Settings, root: Path) -> Vocabulary:
    """The shipped vocabulary with the workspace's own files laid over it. Raises DataProblem for a file that cannot be used."""
    from pipeline.intake.problems import DataProblem
    from pipeline.intake.vocabulary import VocabularyError, load_vocabulary

    try:
        if not settings.intake.vocabulary:
            return _shipped_vocabulary()
        return load_vocabulary([root / name for name in settings.intake.vocabulary])
    except VocabularyError as error:
        raise DataProblem(str(error), remedy="Mend that row of the vocabulary, or take the file out of [intake] vocabulary.") from None
    except FileNotFoundError as error:
        raise DataProblem(f"The vocabulary file {Path(error.filename).name} is not in the workspace.",
                          remedy="Put it there, or take it out of [intake] vocabulary.") from None


def classify_into(con: duckdb.DuckDBPyConnection, settings: Settings, root: Path) -> None:
    """Make clean.classified_lines (one row a repair line), clean.part_words (one a catalogue part) and clean.unread_texts."""
    from pipeline.intake.classify import classify_lines, classify_part_names, unread_texts

    vocabulary = vocabulary_of(settings, root)
    lines = read_table(con, """
        select r.*, v.drive_side, v.lighting
        from clean.repair_lines r left join clean.vehicles v on v.vehicle = r.vehicle
        order by r.line_key""")
    parts = read_table(con, "select * from clean.parts order by file, row")
    side = settings.units.drive_side
    out = classify_lines(lines, vocabulary, parts if parts.height else None,
                         default_drive_side=None if side == "unknown" else side, catalogue_wins=settings.intake.catalogue_wins)
    write_table(con, "clean.classified_lines", out)
    if parts.height:
        write_table(con, "clean.part_words", classify_part_names(parts, vocabulary).unique("part_number", maintain_order=True))
        con.execute("""
            update clean.parts p set component = coalesce(p.component, w.component),
                   light_source_category = coalesce(p.light_source_category, w.light_source_category)
            from clean.part_words w where w.part_number = p.part_number""")
    write_table(con, "clean.unread_texts", unread_texts(lines, out, vocabulary, limit=None))

