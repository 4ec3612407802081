"""Writing a folder: only what changed, each file whole, and a diff that `patch` takes."""

from __future__ import annotations

import errno
import os
import subprocess
from pathlib import Path
from shutil import which

import pytest

from keyc.write import difference, write_files, write_whole

FILES = {"one.c": "int a;\nint b;\n", "two.h": "é\n", "empty.c": ""}


def test_only_what_changed_is_written(tmp_path: Path) -> None:
    folder = tmp_path / "deep" / "folder"
    assert write_files(folder, FILES) == ["empty.c", "one.c", "two.h"]
    for name in FILES:
        os.utime(folder / name, (1, 1))
    assert write_files(str(folder), FILES | {"one.c": "int a;\n"}) == ["one.c"]
    assert [path.name for path in folder.iterdir() if path.stat().st_mtime == 1] != []
    assert (folder / "two.h").stat().st_mtime == 1
    assert (folder / "two.h").read_bytes() == "é\n".encode()
    assert sorted(path.name for path in folder.iterdir()) == sorted(FILES)


def test_lines_end_as_they_are_written(tmp_path: Path) -> None:
    """A file checked out with CRLF differs; what is written has LF on every system."""
    write_files(tmp_path, FILES)
    (tmp_path / "one.c").write_bytes(b"int a;\r\nint b;\r\n")
    assert difference(tmp_path, FILES)
    assert write_files(tmp_path, FILES) == ["one.c"]
    assert (tmp_path / "one.c").read_bytes() == b"int a;\nint b;\n"


def test_nothing_is_left_of_a_write_that_fails(tmp_path: Path) -> None:
    """The old file stays as it was, no part of the new one lies about, and the error names the target."""
    target = tmp_path / "board.uf2"
    target.mkdir()
    (target / "kept").write_text("")
    with pytest.raises(OSError) as raised:  # noqa: PT011 - which one it is differs between systems
        write_whole(target, b"new")
    assert raised.value.filename == str(target)
    assert [path.name for path in tmp_path.iterdir()] == ["board.uf2"]
    with pytest.raises(FileNotFoundError) as missing:
        write_whole(tmp_path / "nowhere" / "x.uf2", b"new")
    assert missing.value.filename == str(tmp_path / "nowhere" / "x.uf2")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_a_full_disk_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """/dev/full fails as a full disk does."""
    target = tmp_path / "x.uf2"
    target.write_text("old")
    monkeypatch.setattr(
        Path, "write_bytes", lambda self, data: Path.open(Path("/dev/full"), "wb", 0).write(data)
    )
    with pytest.raises(OSError, match="No space left"):
        write_whole(target, b"new")
    assert target.read_text() == "old"


def test_a_diff_that_patch_takes(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    write_files(folder, {"one.c": "int a;\nint c;", "two.h": "é\n"})
    assert difference(folder, {"two.h": "é\n"}) == ""
    text = difference(folder, FILES | {"new.c": "int n;\n"})
    assert sorted(path.name for path in folder.iterdir()) == ["one.c", "two.h"], "a diff writes nothing"
    patch = which("patch")
    if patch is None:
        pytest.skip("patch isn't installed here")
    subprocess.run([patch, "-p0", "-s"], input=text.encode(), cwd="/", check=True)
    assert (folder / "one.c").read_text() == FILES["one.c"]
    assert (folder / "new.c").read_text() == "int n;\n"


def test_a_missing_empty_file_is_a_difference(tmp_path: Path) -> None:
    assert difference(tmp_path, {"empty.c": ""})


def test_a_folder_that_refuses_everything_is_told_by_the_name_that_the_user_knows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file system that can only be read refuses to take away what isn't there, too (Linux, unlink(2))."""

    def refuses(path: Path, *_: object, **__: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS), str(path))

    monkeypatch.setattr(Path, "write_bytes", refuses)
    monkeypatch.setattr(Path, "unlink", refuses)
    with pytest.raises(OSError, match="Read-only") as caught:
        write_whole(tmp_path / "x.uf2", b"")
    assert caught.value.filename == str(tmp_path / "x.uf2")
