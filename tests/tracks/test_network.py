"""The pose network's library says nothing on the terminal that a coach need not read."""

from __future__ import annotations

import os

import pytest

from lessonmark.tracks.network import Network, _without_notices
from lessonmark.tracks.weights import DETECTOR, weights_path


@pytest.mark.network_weights
def test_making_a_network_leaves_the_terminal_alone(capfd):
    network = Network(weights_path(DETECTOR), threads=1)
    assert len(network.input_shape) == 4
    assert capfd.readouterr().err == ""


def test_what_is_not_a_notice_goes_through(capfd):
    with _without_notices():
        os.write(2, b"INFO: made a delegate\nERROR: cannot allocate\n")
    assert capfd.readouterr().err == "ERROR: cannot allocate\n"
    os.write(2, b"after\n")
    assert capfd.readouterr().err == "after\n"
