"""Files that are on disk, whole and under their own name, before the answer leaves."""

from collections.abc import Iterator
from pathlib import Path

from django.core.files.base import File
from django.core.files.storage import FileSystemStorage

from flips.data_folder import make_folder, sync_folder, write_new_file


class SyncedStorage(FileSystemStorage):
    """Django's file storage, except that `save` returns only when file and folders would survive a power cut.

    A reader sees the whole file or none, no file is ever replaced, and a failed write leaves nothing behind.
    """

    def _save(self, name: str, content: File) -> str:
        while True:
            path = Path(self.path(name))
            make_folder(path.parent)
            try:
                write_new_file(path, _bytes_of(content))
            except FileExistsError:
                # Somebody took the name after `save` had looked.
                name = self.get_available_name(name)
            else:
                return name.replace("\\", "/")

    def delete(self, name: str) -> None:
        """The file is gone from disk when this returns; a missing one is no error."""
        super().delete(name)
        folder = Path(self.path(name)).parent
        if folder.is_dir():
            sync_folder(folder)


def _bytes_of(content: File) -> Iterator[bytes]:
    for chunk in content.chunks():
        yield chunk.encode() if isinstance(chunk, str) else chunk
