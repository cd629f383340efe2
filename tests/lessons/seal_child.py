"""Seal or unseal a record and print how far it is, for whoever means to kill that.

python seal_child.py FOLDER seal|unseal IDENTITY DATABASE_KEY
"""

import sys
from pathlib import Path

from lessonmark.lessons import sealing
from lessonmark.lessons.sealed_keys import RecordKeys


def tell(share: float, doing: str) -> None:
    """Say it at once."""
    print(share, flush=True)


def main() -> None:
    """Do as the command line does, without the seconds that a passphrase takes on purpose."""
    folder, way = Path(sys.argv[1]), sys.argv[2]
    keys = RecordKeys(identity=sys.argv[3], database=sys.argv[4])
    sealing.unlock = lambda folder, passphrase: keys
    if way == "seal":
        sealing.seal_record(folder, sealing.begin_sealing(folder, ""), tell)
    else:
        sealing.unseal_record(folder, lambda: "", tell)


if __name__ == "__main__":
    main()
