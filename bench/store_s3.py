"""The shared store on an S3-like server: put in by one machine, fetched and erased by another.

    pip install "moto[server]" s3fs     # by hand: forty packages, so not in the lock file
    .venv/bin/python bench/store_s3.py

A server of moto's own (the S3 API, kept in memory) on this machine; nothing leaves it.
"""

from __future__ import annotations

import io
import os
import tempfile
from pathlib import Path

from moto.server import ThreadedMotoServer

from lessonmark.errors import RecordError
from lessonmark.lessons.shared_files import SharedFiles

UID = "a" * 32


def main() -> None:
    """Try it and print what was tried."""
    os.environ |= {"AWS_ACCESS_KEY_ID": "x", "AWS_SECRET_ACCESS_KEY": "x"}
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0)
    server.start()
    host, port = server.get_host_and_port()
    os.environ["AWS_ENDPOINT_URL"] = f"http://{host}:{port}"
    try:
        import s3fs

        far = s3fs.S3FileSystem()
        far.mkdir("academy")
        with tempfile.TemporaryDirectory() as scratch:
            one = SharedFiles(Path(scratch) / "one", "s3://academy/record")
            two = SharedFiles(Path(scratch) / "two", "s3://academy/record")
            kept = one.keep_stream(io.BytesIO(os.urandom(20_000_000)), ".mp4")
            (one.derived(kept.sha256) / "clip-1.json").write_bytes(b"{}")
            one.publish_derived(kept.sha256)
            (one.lesson_folder(UID) / "pictures").mkdir()
            (one.lesson_folder(UID) / "pictures" / "1.jpeg").write_bytes(b"a picture")
            one.publish_lesson(UID)
            assert two.load(kept.sha256).read_bytes() == one.load(kept.sha256).read_bytes()
            assert (two.derived(kept.sha256) / "clip-1.json").exists()
            assert (two.lesson_folder(UID) / "pictures" / "1.jpeg").exists()
            print("put in by one, fetched by the other: 20 MB clip, finding, picture")
            far.pipe(f"academy/record/files/{kept.sha256[:2]}/{kept.sha256}.mp4", b"altered")
            three = SharedFiles(Path(scratch) / "three", "s3://academy/record")
            try:
                three.load(kept.sha256)
            except RecordError as err:
                print(f"altered in the store: {err.what}")
            else:
                raise SystemExit("an altered clip was taken")
            two.remove_media(kept.sha256)
            two.remove_lesson(UID)
            left = list(one.far())
            assert left == [], left
            print("erased: nothing is left in the store")
    finally:
        server.stop()


if __name__ == "__main__":
    main()
