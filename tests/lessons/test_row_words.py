"""Rows of the record are counted in words for people."""

import pytest

from lessonmark.language import speaking
from lessonmark.lessons.record import Base
from lessonmark.lessons.row_words import row_words

# Of what was done by whom, and nobody's: an erasure takes none of their rows.
KEPT = {"audit_entry", "erasure"}
TABLES = sorted({table.name for table in Base.metadata.sorted_tables} - KEPT)


@pytest.mark.parametrize("table", TABLES)
@pytest.mark.parametrize("language", ["en", "de"])
def test_every_table_has_words_for_one_and_for_many(table, language):
    with speaking(language):
        ((one,), (many,)) = (row_words({table: n}) for n in (1, 2))
    assert "1" in one
    assert "2" in many
    assert "_" not in one + many


def test_what_there_is_none_of_is_left_out():
    assert row_words({"clip": 0, "lesson": 1, "swing": 12}) == ["1 lesson", "12 swings"]
