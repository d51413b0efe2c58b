"""Files from outside, opened with care: limits, true kinds, zips and XML without surprises."""

from __future__ import annotations

import hashlib
import io
import re
import stat
import zipfile
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from xml.etree.ElementTree import Element, ParseError

from defusedxml import ElementTree
from defusedxml.common import DefusedXmlException

from geo.errors import IntakeError

MOST_UPLOAD_BYTES = 20_000_000
MOST_XML_BYTES = 5_000_000
MOST_XML_DEPTH = 256
MOST_ZIP_MEMBERS = 50
MOST_ZIP_MEMBER_BYTES = 50_000_000
MOST_ZIP_BYTES = 100_000_000
MOST_ZIP_RATIO = 200
MOST_VERTICES = 200_000
MOST_BLOCKS = 500
MOST_SAMPLES = 20_000
MOST_WORKBOOK_ROWS = 5000
MOST_WORKBOOK_COLUMNS = 200
MOST_NAME_CHARACTERS = 200

#: First bytes -> what a file is, whatever its name says.
MAGIC = (
    (b"PK\x03\x04", "zip"),
    (b"PK\x05\x06", "zip"),
    (b"%PDF", "pdf"),
    (b"SQLite format 3\x00", "sqlite"),
    (b"\x00\x00\x27\x0a", "shapefile"),
    (b"II*\x00", "tiff"),
    (b"MM\x00*", "tiff"),
    (b"II+\x00", "tiff"),
    (b"\xd0\xcf\x11\xe0", "old office file"),
    (b"\x89PNG", "picture"),
    (b"\xff\xd8\xff", "picture"),
    (b"GIF8", "picture"),
    (b"\x7fELF", "program"),
    (b"MZ", "program"),
    (b"\x1f\x8b", "gzip"),
    (b"Rar!", "archive"),
    (b"7z\xbc\xaf", "archive"),
)


@dataclass(frozen=True)
class Received:
    """A file as it came: its name, all its bytes, and what it truly is."""

    path: Path
    data: bytes
    kind: str

    @property
    def name(self) -> str:
        """The name people know it by."""
        return self.path.name

    @property
    def sha256(self) -> str:
        """The name its original is kept under."""
        return hashlib.sha256(self.data).hexdigest()


def receive(path: Path) -> Received:
    """All bytes of a file, once it is known to be small enough.

    Raises
    ------
    IntakeError
        If the file is missing, empty, too large or cannot be read.
    """
    path = Path(path)
    try:
        size = path.stat().st_size
        if not path.is_file():
            raise IntakeError(f"{path.name} is not a file. Give the file itself, not its folder.")
        if size > MOST_UPLOAD_BYTES:
            raise IntakeError(
                f"{path.name} is {size / 1e6:.0f} MB; {MOST_UPLOAD_BYTES / 1e6:.0f} is the most. "
                "Nothing of it was stored. Cut it to the rows of this farm."
            )
        data = path.read_bytes()
    except FileNotFoundError:
        raise IntakeError(f"{path} does not exist. Check the name and the folder.") from None
    except OSError as error:
        raise IntakeError(f"{path.name} cannot be read: {error.strerror}.") from None
    if not data.strip():
        raise IntakeError(f"{path.name} is empty. Save or download it again.")
    return Received(path, data, true_kind(data))


def true_kind(data: bytes) -> str:
    """What a file is by its first bytes: "zip", "pdf", "xml", "json", "text" ...

    Examples
    --------
    >>> true_kind(b"%PDF-1.7"), true_kind(b"id;lat;lon")
    ('pdf', 'text')
    """
    for start, kind in MAGIC:
        if data.startswith(start):
            return kind
    head = data[:512].lstrip(b"\xef\xbb\xbf").lstrip()
    if head.startswith(b"<"):
        return "xml"
    if head.startswith((b"{", b"[")):
        return "json"
    return "text"


def parse_xml(data: bytes, name: str) -> Element:
    """Root of an XML file without entities, declarations of types or endless depth.

    Raises
    ------
    IntakeError
        If it is too large, nested too deep, damaged, or declares types or entities.
    """
    if len(data) > MOST_XML_BYTES:
        raise IntakeError(
            f"{name} is {len(data) / 1e6:.0f} MB; {MOST_XML_BYTES / 1e6:.0f} is the most for this "
            "kind of file. Nothing of it was stored."
        )
    try:
        depth = 0
        for event, _ in ElementTree.iterparse(
            io.BytesIO(data), events=("start", "end"), forbid_dtd=True
        ):
            depth += 1 if event == "start" else -1
            if depth > MOST_XML_DEPTH:
                raise IntakeError(f"{name} is nested too deep to be a map. Nothing was stored.")
        root: Element = ElementTree.fromstring(data, forbid_dtd=True)
    except DefusedXmlException:
        raise IntakeError(
            f"{name} declares a document type (DOCTYPE) or entities, which a map file does not "
            "need and which can be harmful. Nothing of it was stored. Export it again."
        ) from None
    except (ParseError, ValueError, LookupError) as error:
        raise IntakeError(f"{name} is damaged: {error}. Export it again.") from None
    return root


def read_zip(data: bytes, name: str, extensions: tuple[str, ...]) -> dict[str, bytes]:
    """Members of a zip by base name, after every check that a stranger's zip needs.

    Parameters
    ----------
    extensions : tuple of str
        Lower-case extensions wanted, such as ".shp"; other members are left where they are.

    Raises
    ------
    IntakeError
        If any member is hostile, too large or hidden, also one that is not wanted.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = [m for m in archive.infolist() if not m.is_dir()]
            check_members(members, name)
            wanted = [m for m in members if _suffix(m) in extensions and not _hidden(m)]
            return {PurePosixPath(m.filename).name: _member(archive, m, name) for m in wanted}
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError) as error:
        raise IntakeError(f"{name} is damaged: {error}. Save it again as one file.") from None


def left_in_zip(data: bytes, extensions: tuple[str, ...]) -> tuple[str, ...]:
    """Members that `read_zip` leaves where they are, by base name; not what systems hide."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        members = [m for m in archive.infolist() if not m.is_dir() and not _hidden(m)]
    return tuple(PurePosixPath(m.filename).name for m in members if _suffix(m) not in extensions)


def _hidden(member: zipfile.ZipInfo) -> bool:
    """Files that computers add by themselves: a Mac's shadows, thumbnails, looks of a folder."""
    path = PurePosixPath(member.filename)
    return "__MACOSX" in path.parts or path.name.startswith(".") or path.name.lower() in (
        "thumbs.db", "desktop.ini",
    )  # fmt: skip


def _suffix(member: zipfile.ZipInfo) -> str:
    return PurePosixPath(member.filename).suffix.lower()


def check_members(members: list[zipfile.ZipInfo], name: str) -> None:
    """Refuse a zip with a member that is hostile, too large or hidden.

    Raises
    ------
    IntakeError
        Naming the first member that is refused.
    """
    if len(members) > MOST_ZIP_MEMBERS:
        raise _refused(name, f"It holds {len(members)} files; {MOST_ZIP_MEMBERS} is the most.")
    seen: set[str] = set()
    for member in members:
        _check_member(member, name)
        base = PurePosixPath(member.filename).name.lower()
        if base in seen and not member.filename.startswith("xl/"):
            raise _refused(name, f"Two files in it are called {base!r}.")
        seen.add(base)
    if sum(member.file_size for member in members) > MOST_ZIP_BYTES:
        raise _refused(name, "It would unpack to more than 100 MB.")


def _check_member(member: zipfile.ZipInfo, name: str) -> None:
    inside = member.filename
    parts = PurePosixPath(inside).parts
    # zipfile turns a back-slash of the original name into "/" and cuts at a NUL: look at both.
    written = getattr(member, "orig_filename", inside)
    if inside.startswith("/") or ".." in parts or re.search(r"[\\:\0]", inside + written):
        raise _refused(name, "It holds a file that would land outside its own folder.")
    mode = member.external_attr >> 16
    if stat.S_IFMT(mode) not in (0, stat.S_IFREG):
        raise _refused(name, f"{inside!r} in it is a link or a device, not a file.")
    if member.flag_bits & 0x1:
        raise _refused(name, "It is locked with a password.")
    if member.file_size > MOST_ZIP_MEMBER_BYTES:
        raise _refused(name, f"{inside!r} in it unpacks to more than 50 MB.")
    if member.file_size > MOST_ZIP_RATIO * max(member.compress_size, 1):
        raise _refused(name, f"{inside!r} in it is packed too tightly to be honest.")
    if _suffix(member) in (".zip", ".kmz", ".gz", ".7z", ".rar", ".tar"):
        raise _refused(name, "It holds another archive.")


def _member(archive: zipfile.ZipFile, member: zipfile.ZipInfo, name: str) -> bytes:
    """Bytes of a member, counted while unpacking: sizes in the directory may lie."""
    with archive.open(member) as stream:
        data = stream.read(MOST_ZIP_MEMBER_BYTES + 1)
    if len(data) > MOST_ZIP_MEMBER_BYTES:
        raise _refused(name, f"{member.filename!r} in it unpacks to more than 50 MB.")
    return data


def _refused(name: str, why: str) -> IntakeError:
    return IntakeError(
        f"{name} was not read. {why} Nothing of it was stored. Save the files again as one zip."
    )
