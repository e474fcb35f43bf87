"""The text of a recorded log as numbered lines, in bounded memory.

Compressed logs (gzip, recognised by their first bytes, not by their name) read like plain ones.
Line ends of every system and a byte-order mark are accepted; bytes that are not UTF-8 become
replacement characters, which no number contains, so that junk ends as a gap and not as a crash.
"""

from __future__ import annotations

import codecs
import gzip
import io
import zlib
from pathlib import Path
from typing import Protocol

from labref.model.errors import InputError

_CHUNK_BYTES = 1 << 20
_LONGEST_LINE = 1 << 16
_GZIP_MAGIC = b"\x1f\x8b"
_UTF16_MARKS = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


class _Bytes(Protocol):
    """What is read from: the file itself, or its decompressed content."""

    def read1(self, size: int, /) -> bytes: ...

    def close(self) -> None: ...


class LogText:
    """Lines of a text log, read forward once. Raises InputError where it cannot be read.

    ``number`` is the number (from 1) of the next line; ``ends_cut`` whether the text ended
    without a line end, so that its last cell may be cut short; ``note`` what else was odd.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.number = 1
        self.ends_cut = False
        self.ended = False
        self.note = ""
        self._lines: list[str] = []
        self._next = 0
        self._rest = ""
        try:
            self.total_bytes = path.stat().st_size
            self._raw = path.open("rb")
        except OSError as error:
            raise InputError(f"{path}: cannot be opened: {error.strerror}") from None
        self._bytes = self._open_bytes()
        utf8 = codecs.getincrementaldecoder("utf-8-sig")("replace")
        self._decoder = io.IncrementalNewlineDecoder(utf8, translate=True)

    def _open_bytes(self) -> _Bytes:
        try:
            start = self._raw.read(2)
            self._raw.seek(0)
        except OSError as error:
            raise InputError(f"{self.path}: cannot be read: {error.strerror}") from None
        if start in _UTF16_MARKS:
            self._raw.close()
            raise InputError(f"{self.path}: is UTF-16 text; save it as UTF-8 or plain ASCII")
        if start == _GZIP_MAGIC:
            return gzip.GzipFile(fileobj=self._raw)
        return self._raw

    @property
    def pending(self) -> bool:
        """Whether lines wait that were read from the file but not handed out."""
        return self._next < len(self._lines)

    @property
    def done_bytes(self) -> int:
        """Bytes of the file read so far (of the compressed file, where it is compressed)."""
        return self.total_bytes if self._raw.closed else self._raw.tell()

    def close(self) -> None:
        """Close the file; further lines are not delivered."""
        self._bytes.close()
        self._raw.close()

    def lines(self, count: int) -> list[str]:
        """Return the next ``count`` lines without their ends; fewer only at the end."""
        taken: list[str] = []
        while len(taken) < count:
            if self._next == len(self._lines) and not self._fill():
                break
            stop = min(len(self._lines), self._next + count - len(taken))
            taken += self._lines[self._next : stop]
            self._next = stop
        self.number += len(taken)
        return taken

    def _fill(self) -> bool:
        """Split the next chunk into lines; False at the end of the text."""
        self._lines, self._next = [], 0
        while not self._lines and not self.ended:
            chunk = self._read()
            text = self._rest + self._decoder.decode(chunk, final=not chunk)
            *self._lines, self._rest = text.split("\n")
            if not chunk:
                self.ended = True
                self._keep_cut_line()
            elif len(self._rest) > _LONGEST_LINE:
                line = self.number + len(self._lines)
                raise InputError(
                    f"{self.path}:{line}: a line longer than {_LONGEST_LINE} characters: "
                    "this is not a text log"
                )
        if self.ended:
            self.close()
        return bool(self._lines)

    def _keep_cut_line(self) -> None:
        # After a power cut some file systems fill the tail with zero bytes.
        if self._rest.strip("\0 \t"):
            self._lines.append(self._rest)
            self.ends_cut = True
        self._rest = ""

    def _read(self) -> bytes:
        try:
            # read1: what came before an early end is handed out before the error.
            return self._bytes.read1(_CHUNK_BYTES)
        except EOFError:
            self.note = "the compressed text ends early; what came before is kept"
            return b""
        except (OSError, zlib.error) as error:
            raise InputError(
                f"{self.path}: cannot be read beyond line {self.number}: {error}"
            ) from None
