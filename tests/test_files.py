"""Files are written whole or not at all."""

import io
import os
import pathlib
import signal
import subprocess
import sys
import time
import zipfile

import numpy as np
import pytest

from encsim import InputError, files


def _only(folder, *names):
    assert sorted(path.name for path in folder.iterdir()) == sorted(names)


@pytest.mark.parametrize("content", ["µm\n", b"\0\xff"])
def test_what_is_written_is_read_back(tmp_path, content):
    files.write_whole(tmp_path / "a", content)
    assert (tmp_path / "a").read_bytes() == (content.encode() if isinstance(content, str) else content)
    _only(tmp_path, "a")


def test_a_file_that_exists_is_replaced_only_when_told_to(tmp_path):
    path = tmp_path / "a"
    path.write_text("old")
    with pytest.raises(InputError, match=r"output must not exist yet, got .*; use --force"):
        files.write_whole(path, "new")
    assert path.read_text() == "old"
    files.write_whole(path, "new", force=True)
    assert path.read_text() == "new"
    _only(tmp_path, "a")


@pytest.mark.parametrize("force", [False, True])
@pytest.mark.parametrize(
    ("name", "rule"),
    [
        ("", "be a file, not a folder"),
        ("none/a", "lie in a folder that exists"),
        ("x" * 300, r"be a path that can be used \(File name too long\)"),
        ("a\0b", r"be a path that can be used \(embedded null byte\)"),
    ],
)
def test_a_path_that_cannot_be_written_is_refused(tmp_path, name, rule, force):
    with pytest.raises(InputError, match=f"output must {rule}"):
        files.write_whole(tmp_path / name, "new", force=force)
    _only(tmp_path)


def test_nothing_is_left_behind_when_writing_fails(tmp_path, monkeypatch):
    (tmp_path / "a").write_text("old")
    monkeypatch.setattr(os, "replace", lambda *paths: (_ for _ in ()).throw(OSError(28, "No space left")))
    with pytest.raises(InputError, match=r"output must be writable \(No space left\)"):
        files.write_whole(tmp_path / "a", "new", force=True)
    assert (tmp_path / "a").read_text() == "old"
    _only(tmp_path, "a")


def test_nothing_is_left_behind_by_an_interrupt(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "replace", lambda *paths: (_ for _ in ()).throw(KeyboardInterrupt("stop")))
    with pytest.raises(KeyboardInterrupt, match="stop"):
        files.write_whole(tmp_path / "a", "new")
    _only(tmp_path)


def test_a_link_stays_and_its_target_is_replaced(tmp_path):
    (tmp_path / "a").write_text("old")
    (tmp_path / "link").symlink_to(tmp_path / "a")
    with pytest.raises(InputError, match="not exist yet"):
        files.refuse_existing(tmp_path / "link")
    files.write_whole(tmp_path / "link", "new", force=True)
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "a").read_text() == "new"


@pytest.mark.skipif(not pathlib.Path("/dev/null").is_char_device(), reason="needs a null device")
@pytest.mark.parametrize("force", [False, True])
def test_a_device_is_written_to_and_not_replaced(force):
    files.write_whole("/dev/null", "gone", force=force)
    assert pathlib.Path("/dev/null").is_char_device()


def test_a_new_file_has_the_mode_of_any_new_file(tmp_path):
    (tmp_path / "usual").write_text("")
    files.write_whole(tmp_path / "a", "new")
    assert (tmp_path / "a").stat().st_mode == (tmp_path / "usual").stat().st_mode


def test_a_file_that_is_replaced_keeps_its_mode(tmp_path):
    (tmp_path / "a").write_text("old")
    (tmp_path / "a").chmod(0o640)
    files.write_whole(tmp_path / "a", "new", force=True)
    assert (tmp_path / "a").stat().st_mode & 0o777 == 0o640


def test_what_a_killed_process_left_goes_with_the_next_writing(tmp_path):
    killed = "import os, sys; from encsim import files; os.replace = lambda *paths: os.kill(os.getpid(), 9);"
    command = [sys.executable, "-c", f"{killed} files.write_whole(sys.argv[1], 'new')", str(tmp_path / "a")]
    assert subprocess.run(command, timeout=60).returncode == -signal.SIGKILL
    (left,) = tmp_path.iterdir()
    assert left.suffix == ".part"
    (tmp_path / f".a.{os.getpid()}.00.part").write_text("of a process that lives")
    files.write_whole(tmp_path / "a", "new")
    _only(tmp_path, "a", f".a.{os.getpid()}.00.part")


@pytest.mark.parametrize("delay", np.linspace(0.0, 0.02, 10))
def test_a_kill_while_writing_leaves_the_old_file_or_the_new(tmp_path, delay):
    path, new = tmp_path / "a", "new" * 1_000_000
    path.write_text("old")
    code = "import sys; from encsim import files; print(flush=True); "
    code += "files.write_whole(sys.argv[1], 'new' * 1_000_000, force=True)"
    child = subprocess.Popen([sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE)
    child.stdout.readline()
    time.sleep(delay)
    child.kill()
    child.communicate(timeout=60)
    assert path.read_text() in ("old", new)


def _npz(**arrays):
    stream = io.BytesIO()
    np.savez_compressed(stream, **arrays)
    return stream.getvalue()


def test_arrays_of_a_file_come_back():
    read = files.read_arrays(_npz(a=np.arange(3), b=np.eye(2)), 1000)
    assert read["a"].tolist() == [0, 1, 2]
    assert read["b"].tolist() == [[1.0, 0.0], [0.0, 1.0]]


def test_arrays_that_unpack_to_more_than_allowed_are_refused():
    with pytest.raises(ValueError, match="unpacks to more"):
        files.read_arrays(_npz(a=np.zeros(100_000)), 100_000)


def test_header_that_claims_more_than_there_is_is_refused():
    stream, archive = io.BytesIO(), io.BytesIO()
    np.lib.format.write_array_header_1_0(stream, {"descr": "<f8", "fortran_order": False, "shape": (10**12,)})
    with zipfile.ZipFile(archive, "w") as members:
        members.writestr("a.npy", stream.getvalue())
    with pytest.raises(ValueError, match="another length"):
        files.read_arrays(archive.getvalue(), 1000)


def test_objects_are_not_unpickled():
    with pytest.raises(ValueError, match=r"another length|pickle"):
        files.read_arrays(_npz(a=np.array([{}], dtype=object)), 10_000)
