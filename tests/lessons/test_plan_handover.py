"""An export that was made before plans, windows and causes were kept can still be taken in."""

from lessonmark.lessons.player_data import PlayerData, player_data
from lessonmark.lessons.record import Player

NEWER = {"plans", "targets", "change", "set_on"}


def without_newer(value):
    if isinstance(value, dict):
        return {key: without_newer(one) for key, one in value.items() if key not in NEWER}
    return [without_newer(one) for one in value] if isinstance(value, list) else value


def test_an_older_export_is_read_with_nothing_in_their_place(record, add_player):
    player_id = add_player()
    with record.reading() as session:
        now = player_data(session.get_one(Player, player_id))
    assert now.targets
    assert now.lessons[0].plans.attempts
    older = PlayerData.model_validate(without_newer(now.model_dump(mode="json")))
    assert older.targets == []
    assert older.lessons[0].plans.attempts == []
    assert older.lessons[0].plans.planned is None
    assert older.lessons[0].drills[0].set_on is None
