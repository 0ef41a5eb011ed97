"""The data folder: where it usually is, and the secret that is made in it once and kept."""

import errno
import os
import secrets
import sys
import time
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

# Some file systems (exFAT, some network shares) know no links.
NO_LINKS = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK)


def usual_data_folder() -> Path:
    """The folder this platform keeps a person's own data in, for when nothing else was set."""
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local") / "third-coat"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support" / "third-coat"
    # XDG Base Directory Specification: $XDG_DATA_HOME, or ~/.local/share when unset or not absolute.
    named = os.environ.get("XDG_DATA_HOME", "")
    return (Path(named) if named.startswith("/") else Path.home() / ".local" / "share") / "third-coat"


def make_folder(folder: Path) -> None:
    """`folder` exists, for its owner only, and so do its parents, all of them on disk when this returns."""
    missing = []
    while not folder.exists():
        missing.append(folder)
        folder = folder.parent
    for new in reversed(missing):
        new.mkdir(mode=0o700, exist_ok=True)
        sync_folder(new.parent)


def sync_folder(folder: Path) -> None:
    """The names in `folder` are on disk when this returns."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0))
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_new_file(path: Path, chunks: Iterable[bytes]) -> None:
    """`path` holds all of `chunks`, on disk, when this returns; FileExistsError if it was there already.

    A reader sees the whole file or none, and a failed write leaves nothing behind.
    """
    draft = path.with_name(f".{secrets.token_hex(8)}.part")
    try:
        handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600)
        with os.fdopen(handle, "wb") as file:
            for chunk in chunks:
                file.write(chunk)
            file.flush()
            os.fsync(file.fileno())
        try:
            # Linking, unlike renaming, never replaces a file that somebody else finished first.
            os.link(draft, path)
        except OSError as problem:
            if problem.errno not in NO_LINKS or path.exists():
                raise
            os.replace(draft, path)
    finally:
        draft.unlink(missing_ok=True)
    sync_folder(path.parent)


def sweep_drafts(folder: Path) -> None:
    """Half-written files that a crash left under `folder` more than a day ago are gone."""
    for draft in folder.rglob(".*.part"):
        if draft.stat().st_mtime < time.time() - 24 * 3600:
            draft.unlink(missing_ok=True)


def kept_secret(folder: Path) -> str:
    """The shop's secret key: read from `folder`, or made there once when missing."""
    path = folder / "secret_key"
    make_folder(folder)
    if not path.exists():
        with suppress(FileExistsError):
            write_new_file(path, [secrets.token_urlsafe(64).encode()])
    secret = path.read_text().strip()
    if len(secret) < 32:
        raise RuntimeError(
            f"{path} is too short to be a secret key. Delete it: a new one is made and everybody logs in again."
        )
    return secret
