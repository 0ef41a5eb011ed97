"""Stored files are on disk before `save` returns, whole, private, and never replaced."""

import os
import stat
from pathlib import Path

import pytest
from django.core.files.base import ContentFile

from flips import data_folder
from flips.data_folder import kept_secret, sweep_drafts, usual_data_folder, write_new_file
from flips.storage import SyncedStorage


@pytest.fixture
def storage(tmp_path):
    return SyncedStorage(location=tmp_path / "photos")


@pytest.fixture
def calls(monkeypatch):
    """Every sync and every link, in order, by what it was done to."""
    seen = []
    real_sync, real_link = os.fsync, os.link

    def sync(handle):
        seen.append(("sync", Path(os.readlink(f"/proc/self/fd/{handle}"))))
        real_sync(handle)

    def link(source, target):
        seen.append(("link", Path(target)))
        real_link(source, target)

    monkeypatch.setattr(os, "fsync", sync)
    monkeypatch.setattr(os, "link", link)
    return seen


def mode(path):
    return stat.S_IMODE(path.stat().st_mode)


def test_the_file_is_synced_before_it_gets_its_name_and_its_folder_after(storage, tmp_path, calls):
    storage.save("2026/03/a.jpg", ContentFile(b"photo"))

    folder = tmp_path / "photos" / "2026" / "03"
    named = calls.index(("link", folder / "a.jpg"))
    (_, draft), *_rest = [call for call in calls[:named] if call[1].suffix == ".part"]
    assert draft.parent == folder
    assert calls[-1] == ("sync", folder)


def test_every_folder_made_on_the_way_is_synced_into_its_parent(storage, tmp_path, calls):
    storage.save("2026/03/a.jpg", ContentFile(b"photo"))

    assert [path for what, path in calls if what == "sync"][:3] == [
        tmp_path,
        tmp_path / "photos",
        tmp_path / "photos" / "2026",
    ]


def test_what_is_saved_is_what_is_read(storage):
    name = storage.save("a.jpg", ContentFile(b"x" * 300_000))

    assert storage.open(name).read() == b"x" * 300_000


def test_a_name_that_is_taken_is_left_alone(storage):
    first = storage.save("a.jpg", ContentFile(b"first"))
    second = storage.save("a.jpg", ContentFile(b"second"))

    assert first != second
    assert (storage.open(first).read(), storage.open(second).read()) == (b"first", b"second")


def test_a_name_taken_at_the_last_moment_is_left_alone_too(storage, monkeypatch):
    first = storage.save("a.jpg", ContentFile(b"first"))
    monkeypatch.setattr(storage, "exists", lambda name: False)
    names = iter(["a.jpg", "other.jpg"])
    monkeypatch.setattr(storage, "get_available_name", lambda *args, **kwargs: next(names))

    second = storage.save("a.jpg", ContentFile(b"second"))

    assert (first, second) == ("a.jpg", "other.jpg")
    assert storage.open(first).read() == b"first"


def test_a_failed_write_leaves_nothing_behind(storage, tmp_path, monkeypatch):
    def full(handle):
        raise OSError(28, "No space left on device")

    storage.save("there.jpg", ContentFile(b"x"))
    monkeypatch.setattr(os, "fsync", full)

    with pytest.raises(OSError, match="No space"):
        storage.save("a.jpg", ContentFile(b"photo"))

    assert [path.name for path in (tmp_path / "photos").iterdir()] == ["there.jpg"]


def test_a_file_system_without_links_still_gets_its_file(storage, monkeypatch):
    def no_links(source, target):
        raise OSError(data_folder.NO_LINKS[0], "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)

    assert storage.open(storage.save("a.jpg", ContentFile(b"photo"))).read() == b"photo"


def test_photos_are_for_the_owner_of_the_process_only(storage, tmp_path):
    storage.save("2026/a.jpg", ContentFile(b"photo"))

    assert mode(tmp_path / "photos" / "2026" / "a.jpg") == 0o600
    assert mode(tmp_path / "photos" / "2026") == 0o700


@pytest.mark.parametrize("name", ["../a.jpg", "/etc/a.jpg", "x/../../a.jpg"])
def test_nothing_is_stored_outside_the_folder(storage, tmp_path, name):
    with pytest.raises(Exception, match="traversal|outside|located"):
        storage.save(name, ContentFile(b"photo"))

    assert not list(tmp_path.rglob("a.jpg"))


def test_a_deleted_file_is_gone_and_deleting_it_again_is_no_error(storage, tmp_path, calls):
    name = storage.save("a.jpg", ContentFile(b"photo"))
    storage.delete(name)
    storage.delete(name)

    assert not storage.exists(name)
    assert calls[-1] == ("sync", tmp_path / "photos")


def test_what_a_crash_left_half_written_is_swept_up_a_day_later(tmp_path):
    old, new, photo = tmp_path / "a" / ".1f.part", tmp_path / ".2f.part", tmp_path / "a.jpg"
    old.parent.mkdir()
    for path in (old, new, photo):
        path.touch()
    os.utime(old, (0, 0))
    os.utime(photo, (0, 0))

    sweep_drafts(tmp_path)

    assert [path.exists() for path in (old, new, photo)] == [False, True, True]


def test_the_secret_is_made_once_and_kept(tmp_path):
    made = kept_secret(tmp_path / "shop")

    assert kept_secret(tmp_path / "shop") == made
    assert len(made) >= 50
    assert mode(tmp_path / "shop" / "secret_key") == 0o600
    assert kept_secret(tmp_path / "demo") != made


def test_two_that_make_the_secret_at_once_get_the_same(tmp_path, monkeypatch):
    write = write_new_file

    def somebody_else_first(path, chunks):
        write(path, [b"made by somebody else a moment earlier than this one"])
        write(path, chunks)

    monkeypatch.setattr(data_folder, "write_new_file", somebody_else_first)

    assert kept_secret(tmp_path) == "made by somebody else a moment earlier than this one"


def test_a_secret_that_was_cut_short_is_not_used(tmp_path):
    (tmp_path / "secret_key").write_text("abc")

    with pytest.raises(RuntimeError, match="too short"):
        kept_secret(tmp_path)


def test_records_are_kept_outside_the_code(monkeypatch):
    monkeypatch.delenv("XDG_DATA_HOME", raising=False)
    monkeypatch.setattr("sys.platform", "linux")

    assert usual_data_folder() == Path.home() / ".local" / "share" / "third-coat"

    monkeypatch.setenv("XDG_DATA_HOME", "/srv/data")

    assert usual_data_folder() == Path("/srv/data/third-coat")
