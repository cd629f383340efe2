"""One LiteRT network, ready to run."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import numpy.typing as npt
from ai_edge_litert.interpreter import Interpreter

__all__ = ["Network"]


class Network:
    """A network file with its buffers allocated.

    Parameters
    ----------
    path : the .tflite file.
    threads : CPU threads for one run.
    """

    def __init__(self, path: Path, *, threads: int) -> None:
        with _without_notices():
            self._interpreter = Interpreter(model_path=str(path), num_threads=threads)
            self._interpreter.allocate_tensors()
        self._input = self._interpreter.get_input_details()[0]["index"]
        self._outputs = [o["index"] for o in self._interpreter.get_output_details()]
        self.input_shape: tuple[int, ...] = tuple(
            int(n) for n in self._interpreter.get_input_details()[0]["shape"]
        )

    def run(self, image: npt.NDArray[np.float32]) -> list[npt.NDArray[np.float32]]:
        """Run on one input of `input_shape`; returns copies of the outputs, in file order."""
        self._interpreter.set_tensor(self._input, image)
        self._interpreter.invoke()
        return [self._interpreter.get_tensor(index) for index in self._outputs]


@contextmanager
def _without_notices() -> Iterator[None]:
    """Keep the library's 'INFO:' lines off the terminal; warnings and errors go through.

    It writes them from C++ and has no setting for it.
    """
    sys.stderr.flush()
    try:
        kept = os.dup(2)
    except OSError:  # started without a terminal: nobody to spare them
        yield
        return
    with tempfile.TemporaryFile() as said:
        os.dup2(said.fileno(), 2)
        try:
            yield
        finally:
            os.dup2(kept, 2)
            os.close(kept)
            said.seek(0)
            for line in said:
                if not line.startswith(b"INFO:"):
                    os.write(2, line)
