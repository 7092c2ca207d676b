"""Files are written whole or not at all."""

import os
import pathlib

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
