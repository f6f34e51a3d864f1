"""Files that appear whole or not at all."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from calibration.atomic_file import write_atomic

POSIX = pytest.mark.skipif(sys.platform == "win32", reason="permissions, links and pipes of POSIX")


@POSIX
def test_a_new_file_has_the_usual_permissions_and_an_old_one_keeps_its_own(tmp_path: Path) -> None:
    usual = os.umask(0o077)
    try:
        write_atomic(tmp_path / "new.txt", b"new")
    finally:
        os.umask(usual)
    assert (tmp_path / "new.txt").stat().st_mode & 0o777 == 0o600
    (tmp_path / "new.txt").chmod(0o640)
    write_atomic(tmp_path / "new.txt", b"newer")
    assert (tmp_path / "new.txt").stat().st_mode & 0o777 == 0o640
    assert (tmp_path / "new.txt").read_bytes() == b"newer"


@POSIX
def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(tmp_path / "file")
    write_atomic(tmp_path / "link", b"data")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "file").read_bytes() == b"data"


@POSIX
def test_what_is_no_file_is_not_replaced(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(OSError, match="not a regular file"):
        write_atomic(tmp_path / "pipe", b"data")
    assert (tmp_path / "pipe").is_fifo()
    (tmp_path / "one").symlink_to("two")
    (tmp_path / "two").symlink_to("one")
    with pytest.raises(OSError, match="not a regular file"):
        write_atomic(tmp_path / "one", b"data")
    assert (tmp_path / "one").is_symlink()


@POSIX
def test_a_name_may_be_as_long_as_the_system_lets_it(tmp_path: Path) -> None:
    longest = tmp_path / ("\N{CJK UNIFIED IDEOGRAPH-6C34}" * 85)  # 255 bytes
    write_atomic(longest, b"data")
    assert longest.read_bytes() == b"data"
    assert list(tmp_path.iterdir()) == [longest]


def test_data_are_on_the_disk_before_the_name_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, found = tmp_path / "a.txt", []

    def synced(descriptor: int) -> None:
        found.append((path.exists(), os.fstat(descriptor).st_size))

    monkeypatch.setattr(os, "fsync", synced)
    write_atomic(path, b"data")
    assert found == [(False, 4)]


def test_nothing_is_left_of_what_failed(tmp_path: Path) -> None:
    with pytest.raises(TypeError):
        write_atomic(tmp_path / "a.txt", "text")
    assert not list(tmp_path.iterdir())


def test_a_file_is_replaced_where_permissions_cannot_be_set(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def forbidden(*_: object, **__: object) -> None:
        raise PermissionError

    write_atomic(tmp_path / "a.txt", b"data")
    monkeypatch.setattr(os, "chmod", forbidden)  # as on a drive mounted for all, whose files belong to the system
    write_atomic(tmp_path / "a.txt", b"more data")
    assert (tmp_path / "a.txt").read_bytes() == b"more data"


def test_nothing_is_left_where_a_file_must_be_writable_to_be_replaced_and_deleted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on Windows."""
    path = tmp_path / "a.txt"
    path.write_bytes(b"data")
    path.chmod(0o444)
    unlink, replace = Path.unlink, Path.replace

    def require_writable(path: Path) -> None:
        if not path.stat().st_mode & 0o200:
            raise PermissionError

    def unlink_if_writable(path: Path, *, missing_ok: bool = False) -> None:
        require_writable(path)
        unlink(path, missing_ok=missing_ok)

    def replace_if_writable(path: Path, target: Path) -> None:
        require_writable(target)
        replace(path, target)

    monkeypatch.setattr(Path, "unlink", unlink_if_writable)
    monkeypatch.setattr(Path, "replace", replace_if_writable)
    with pytest.raises(PermissionError):
        write_atomic(path, b"more data")
    assert list(tmp_path.iterdir()) == [path]
    assert path.read_bytes() == b"data"
