"""What a sheet says of its centimetres."""

from dataclasses import replace

from lessonmark.language import speaking
from lessonmark.lessons.analysis import scale_note
from lessonmark.measures.scale_value import Scale
from lessonmark.pack.said_again import say_again
from lessonmark.words import Stage, View


def test_views_are_named_where_their_centimetres_differ(measured_clip):
    def clip(view, note):
        scale = Scale(px_per_cm=4.0, se_px_per_cm=0.2, sources=("stature",), note=note)
        return replace(measured_clip(1, Stage.BEFORE, 12.0, 130.0), view=view, scale=scale)

    front, behind = clip(View.FACE_ON, "by 4.2"), clip(View.DOWN_THE_LINE, "by 4.4")
    assert scale_note([front, behind, front]) == "face-on: by 4.2; down-the-line: by 4.4"
    assert scale_note([front, clip(View.DOWN_THE_LINE, "by 4.2")]) == "by 4.2"
    assert scale_note([front, clip(View.FACE_ON, "by 5")]) == "by 4.2; by 5"
    bare = replace(front, scale=None)
    assert "% of the torso" in scale_note([bare])


def test_the_note_is_said_again_in_german_clause_by_clause_with_its_view(measured_clip):
    def clip(view, error):
        note = f"centimetres from stature, {error} % standard error"
        scale = Scale(px_per_cm=4.0, se_px_per_cm=0.2, sources=("stature",), note=note)
        return replace(measured_clip(1, Stage.BEFORE, 12.0, 130.0), view=view, scale=scale)

    both = [clip(View.FACE_ON, 4.2), clip(View.DOWN_THE_LINE, 4.4)]
    with speaking("de"):
        # The stored view keeps its own name, or no later language could say it.
        assert scale_note(both).startswith("face-on: ")
        assert say_again(scale_note(both)) == (
            "von vorn: Zentimeter aus: Körpergröße, 4,2 % Standardfehler; "
            "von hinten: Zentimeter aus: Körpergröße, 4,4 % Standardfehler"
        )
