"""Files that are on disk, whole and under their own name, before the answer leaves."""

import errno
import os
import secrets
from pathlib import Path

from django.core.files.base import File
from django.core.files.storage import FileSystemStorage

from flips.data_folder import make_folder, sync_folder


class SyncedStorage(FileSystemStorage):
    """Django's file storage, except that `save` returns only when file and folders would survive a power cut.

    A file is written beside its place and linked into it: a reader sees all of it or nothing, and no file is ever
    replaced. A failed write leaves nothing behind.
    """

    def _save(self, name: str, content: File) -> str:
        path = Path(self.path(name))
        make_folder(path.parent)
        draft = path.with_name(f".{secrets.token_hex(8)}.part")
        try:
            handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(handle, "wb") as file:
                for chunk in content.chunks():
                    file.write(chunk.encode() if isinstance(chunk, str) else chunk)
                file.flush()
                os.fsync(file.fileno())
            while True:
                try:
                    os.link(draft, path)
                    break
                except FileExistsError:
                    path = Path(self.path(self.get_available_name(name)))
                except OSError as problem:
                    if problem.errno not in NO_LINKS or path.exists():
                        raise
                    os.replace(draft, path)
                    break
        finally:
            draft.unlink(missing_ok=True)
        sync_folder(path.parent)
        return str(path.relative_to(self.location)).replace("\\", "/")

    def delete(self, name: str) -> None:
        """The file is gone from disk when this returns; a missing one is no error."""
        super().delete(name)
        folder = Path(self.path(name)).parent
        if folder.is_dir():
            sync_folder(folder)


# Some file systems (exFAT, some network shares) know no links.
NO_LINKS = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK)
