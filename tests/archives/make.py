#!/usr/bin/env python3
"""Makes the archive fixtures of this folder from ../captures/frames.bin with Python's standard library.

    python3 make.py
"""

import gzip
import io
import pathlib
import tarfile
import zipfile

HERE = pathlib.Path(__file__).parent
LOG = (HERE / "../captures/frames.bin").read_bytes()
STAMP = (2026, 9, 1, 8, 0, 0)


def zipped(name, members, flag=0, method=zipfile.ZIP_DEFLATED):
    with zipfile.ZipFile(HERE / name, "w") as archive:
        for member, data in members:
            info = zipfile.ZipInfo(member, STAMP)
            info.compress_type = method
            archive.writestr(info, data)
    if flag:  # mark every member as encrypted, which the standard library cannot do
        data = bytearray((HERE / name).read_bytes())
        for mark, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
            start = data.find(mark)
            while start >= 0:
                data[start + at] |= flag
                start = data.find(mark, start + 4)
        (HERE / name).write_bytes(data)


class Pipe(io.BytesIO):
    """Cannot be sought in, so that lengths are written behind the members."""

    def seekable(self):
        return False

    def seek(self, *_):
        raise io.UnsupportedOperation


def streamed(name, members):
    pipe = Pipe()
    with zipfile.ZipFile(pipe, "w") as archive:
        for member, data in members:
            info = zipfile.ZipInfo(member, STAMP)
            info.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(info, data)
    (HERE / name).write_bytes(pipe.getvalue())


def tarred(members):
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w", format=tarfile.PAX_FORMAT) as archive:
        for member, data in members:
            info = tarfile.TarInfo(member)
            if data is None:
                info.type, info.linkname = tarfile.SYMTYPE, "/etc/passwd"
                archive.addfile(info)
            else:
                info.size = len(data)
                archive.addfile(info, io.BytesIO(data))
    return buffer.getvalue()


packed = gzip.compress(LOG, mtime=0)
members = [("day/log1.bin", LOG), ("../../escape.bin", LOG), ("day/log2.bin.gz", packed), ("notes.txt", b"a note\n")]
zipped("card.zip", members)
zipped("stored.zip", members[:1], method=zipfile.ZIP_STORED)
streamed("streamed.zip", members)
streamed("nested.zip", [("day/", b""), ("inner.zip", (HERE / "stored.zip").read_bytes())] + members[:1])
zipped("encrypted.zip", members[:1], flag=1)
zipped("twins.zip", [("log.bin", LOG[: len(LOG) // 2]), ("log.bin", LOG)])
zipped("method.zip", members[:1] + [("day/log3.bin", LOG)], method=zipfile.ZIP_BZIP2)
card = tarred(members + [("link", None), ("/day/" + "long/" * 40 + "log4.bin", LOG)])
(HERE / "card.tar").write_bytes(card)
(HERE / "card.tar.gz").write_bytes(gzip.compress(card, mtime=0))
(HERE / "nested.tar").write_bytes(tarred([("inner.tar", card[:2048]), ("inner.zip", (HERE / "stored.zip").read_bytes())]))
(HERE / "bomb.gz").write_bytes(gzip.compress(bytes(40_000_000), mtime=0))
