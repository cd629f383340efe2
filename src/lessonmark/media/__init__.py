"""Clips in, frames and sound out, each with its time on the clip's own clock.

`probe_clip` says what a file is, `read_frames` streams its pictures upright and with their time
stamps, `read_sound` gives its sound on the same clock, `find_strikes` the moments at which a club
may have met a ball, and `write_proxy` a pack of pictures that any browser can step through.

The clip's clock counts real seconds from the moment at which the file's earliest stream starts:
edit lists, a late first picture and slow motion are all undone before a time leaves this package.
"""

from lessonmark.media.clip import ClipInfo, Frame
from lessonmark.media.frames import read_frame_nearest, read_frames
from lessonmark.media.hashing import content_hash
from lessonmark.media.probe import probe_clip
from lessonmark.media.proxies import Proxy, read_proxy, write_proxy
from lessonmark.media.sound import Sound, read_sound
from lessonmark.media.strike import Strike, correct_for_distance, find_strikes

__all__ = [
    "ClipInfo",
    "Frame",
    "Proxy",
    "Sound",
    "Strike",
    "content_hash",
    "correct_for_distance",
    "find_strikes",
    "probe_clip",
    "read_frame_nearest",
    "read_frames",
    "read_proxy",
    "read_sound",
    "write_proxy",
]
