"""What a sheet says of its centimetres."""

from dataclasses import replace

from lessonmark.lessons.analysis import scale_note
from lessonmark.measures.scale_value import Scale
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
