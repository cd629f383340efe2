"""The record on a real PostgreSQL server, by its one setting."""

from lessonmark.lessons.store import open_record


def test_opens(postgres_database, tmp_path, postgres):
    record = open_record(tmp_path, database=postgres_database)
    assert not record.is_sqlite
    print(postgres.version)
    record.close()
    again = open_record(tmp_path, database=postgres_database)
    again.close()
