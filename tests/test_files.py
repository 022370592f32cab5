"""The edge that opens files: bounded reads, whole writes."""

from __future__ import annotations

import os

import pytest

from fhircare.errors import InputError, OutputError
from fhircare.files import inside, read_bytes, read_text, write_whole


def test_a_file_too_large_is_refused(tmp_path):
    """A 50 MB file is refused by its size, not by running out of memory."""
    path = tmp_path / "large.yaml"
    path.write_bytes(b"#" * 50_000_000)

    with pytest.raises(InputError, match="is larger than 1 MB"):
        read_text(str(path), most=1_000_000)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda p: p.mkdir(), "is a folder"),
        (lambda p: None, "does not exist"),
        (lambda p: p.write_bytes(b"name: \xff\xfe\n"), "is not UTF-8 text"),
    ],
)
def test_what_cannot_be_read_is_said_with_its_name(tmp_path, make, says):
    """A folder, a missing file and another encoding each have their own words."""
    path = tmp_path / "record.yaml"
    make(path)

    with pytest.raises(InputError) as caught:
        read_text(str(path), most=1000)

    assert says in str(caught.value)
    assert str(caught.value).startswith(str(path))


def test_a_byte_order_mark_is_dropped(tmp_path):
    """Text saved by an editor that adds a mark is read as the text."""
    path = tmp_path / "record.yaml"
    path.write_bytes(b"\xef\xbb\xbfa: 1")

    assert read_text(str(path), most=1000) == "a: 1"


def test_a_write_that_fails_leaves_the_old_file(tmp_path, monkeypatch):
    """When the disk is full nothing is half-written, and no temporary file stays behind."""
    path = tmp_path / "bundle.json"
    path.write_text("old")

    def full(_handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)

    with pytest.raises(OutputError, match="no space left"):
        write_whole(str(path), b"new")

    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["bundle.json"]


def test_a_place_that_cannot_be_written_is_said(tmp_path):
    """A missing folder and a folder in the place of a file are refused."""
    with pytest.raises(OutputError, match="does not exist"):
        write_whole(str(tmp_path / "missing" / "bundle.json"), b"x")
    with pytest.raises(OutputError, match="is a folder"):
        write_whole(str(tmp_path), b"x")


def test_a_write_keeps_the_mode_and_the_link(tmp_path):
    """A private file stays private, and a link still points where it did."""
    path = tmp_path / "bundle.json"
    path.write_text("old")
    path.chmod(0o600)
    link = tmp_path / "current.json"
    link.symlink_to(path)

    write_whole(str(link), b"new")

    assert link.is_symlink()
    assert path.read_text() == "new"
    assert path.stat().st_mode & 0o777 == 0o600


def test_a_folder_stands_for_the_files_in_it(tmp_path):
    """Folders are read in order, by ending; a folder without any is refused."""
    (tmp_path / "b.json").write_text("{}")
    (tmp_path / "a.ndjson").write_text("{}")
    (tmp_path / "c.txt").write_text("")

    assert [n.rsplit("/", 1)[1] for n in inside([str(tmp_path)], (".json", ".ndjson"))] == [
        "a.ndjson",
        "b.json",
    ]
    with pytest.raises(InputError, match="is a folder without any"):
        list(inside([str(tmp_path)], (".yaml",)))


def test_reading_stops_at_the_bound(tmp_path):
    """A file exactly at the bound is read."""
    path = tmp_path / "x"
    path.write_bytes(b"x" * 10)

    assert read_bytes(str(path), most=10) == b"x" * 10
