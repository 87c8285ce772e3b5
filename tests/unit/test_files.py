"""Opening inputs and writing outputs whole."""

from __future__ import annotations

import errno
import io
import os
import stat
import sys
from pathlib import Path

import pytest

from packetkit import files
from packetkit.errors import InputError


class Descriptorless:
    """A standard input made of bytes."""

    def __init__(self, data: bytes) -> None:
        self.buffer = io.BytesIO(data)


def test_a_dash_is_standard_input_and_stays_open(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", Descriptorless(b"\xfe\xc1rest"))
    assert files.read_bytes("-", 2) == b"\xfe\xc1"
    assert files.read_bytes("-") == b"rest"


def test_a_closed_standard_input_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", None)
    with pytest.raises(InputError, match="standard input: it is closed; name a file or pipe one in"):
        files.read_bytes("-")


def test_a_missing_file_a_directory_and_a_null_name_are_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"none\.yaml: there is no such file; looked in "):
        files.read_bytes(str(tmp_path / "none.yaml"))
    with pytest.raises(InputError, match="this is a directory; name a file in it"):
        files.read_bytes(str(tmp_path))
    with pytest.raises(InputError, match="cannot hold a null character"):
        files.read_bytes("a\0b")


def test_a_file_that_may_not_be_read_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The superuser may read everything, so the refusal itself is checked.
    error = PermissionError(13, "Permission denied")
    assert "check its permissions" in str(files.refused(str(tmp_path / "locked"), error))
    assert "this is a directory" in str(files.refused(str(tmp_path), error))


def test_an_error_of_another_file_passes_through(tmp_path: Path) -> None:
    (tmp_path / "in").write_bytes(b"x")
    with pytest.raises(OSError) as caught, files.open_input(str(tmp_path / "in")):
        raise OSError(28, "No space left on device", "out")
    assert not isinstance(caught.value, InputError)


def test_text_that_is_not_utf8_is_placed_by_line_and_byte(tmp_path: Path) -> None:
    path = tmp_path / "latin.csv"
    path.write_bytes("name\nHöhe\n".encode("latin-1"))
    with pytest.raises(InputError, match=r"latin\.csv:2: byte 0xf6 at 6 is not UTF-8"):
        files.read_text(str(path))
    path.write_bytes(b"\xef\xbb\xbfname\n")
    assert files.read_text(str(path)) == "name\n"


def test_a_schema_is_read_to_one_byte_over_its_bound(tmp_path: Path) -> None:
    path = tmp_path / "big.yaml"
    path.write_bytes(b"#" * (3 << 20))
    assert len(files.read_schema(str(path))) == (1 << 20) + 1


def test_standard_input_is_only_one_of_the_inputs() -> None:
    files.only_one_standard_input("-", "a", None)
    with pytest.raises(InputError, match="only one of the inputs"):
        files.only_one_standard_input("-", "a", "-")


def test_output_replaces_the_old_file_only_when_it_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "out"
    files.write_text(str(path), "old\n")
    with pytest.raises(RuntimeError), files.open_output(str(path)) as stream:
        stream.write(b"half")
        raise RuntimeError
    assert path.read_bytes() == b"old\n"
    with files.open_text_output(str(path)) as text:
        text.write("°\r\n")
    assert path.read_bytes() == b"\xc2\xb0\r\n"
    assert os.listdir(tmp_path) == ["out"]


def test_a_failing_text_output_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError), files.open_text_output(str(tmp_path / "out")) as text:
        text.write("half")
        raise RuntimeError
    assert os.listdir(tmp_path) == []


# What is tested are POSIX permission bits and links; what holds on Windows too has tests of its own above.
@pytest.mark.skipif(
    os.name == "nt", reason="Windows has no such permission bits, and links need a privilege there"
)
def test_output_keeps_permissions_and_follows_links(tmp_path: Path) -> None:
    real, link = tmp_path / "real", tmp_path / "link"
    real.write_bytes(b"old")
    real.chmod(0o640)
    link.symlink_to(real)
    files.write_bytes(str(link), b"new")
    assert link.is_symlink()
    assert real.read_bytes() == b"new"
    assert stat.S_IMODE(real.stat().st_mode) == 0o640


def test_a_device_is_written_to_and_not_replaced() -> None:
    before = os.stat(os.devnull).st_mode
    files.write_bytes(os.devnull, b"gone")
    assert os.stat(os.devnull).st_mode == before


def test_an_output_that_cannot_be_made_names_itself(tmp_path: Path) -> None:
    with pytest.raises(OSError) as caught:
        files.write_bytes(str(tmp_path / "none" / "out"), b"")
    assert caught.value.filename == str(tmp_path / "none" / "out")
    with pytest.raises(IsADirectoryError):
        files.write_bytes(str(tmp_path), b"")


def test_a_full_disk_is_not_blamed_on_the_input_that_is_being_read(tmp_path: Path) -> None:
    (tmp_path / "in").write_bytes(b"x")
    with pytest.raises(OSError, match="No space left") as caught, files.open_input(str(tmp_path / "in")):
        raise OSError(errno.ENOSPC, "No space left on device")
    assert not isinstance(caught.value, InputError)


def test_a_full_disk_is_told_with_the_output_s_name(tmp_path: Path) -> None:
    target = str(tmp_path / "out")
    with pytest.raises(OSError, match="No space left") as caught, files.open_output(target):
        raise OSError(errno.ENOSPC, "No space left on device")
    assert caught.value.filename == target and os.listdir(tmp_path) == []


def test_an_output_without_a_name_or_a_directory_is_told_with_a_remedy(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="-o: the name of the output is empty"):
        files.write_bytes("", b"x")
    with pytest.raises(OSError, match=r"there is no directory .*none; make it first"):
        files.write_bytes(str(tmp_path / "none" / "out"), b"x")
    assert not (tmp_path / "none").exists()


def test_an_output_is_seen_to_be_impossible_before_any_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_bytes(b"old")
    for possible in ("-", os.devnull, str(tmp_path / "file"), str(tmp_path / "new")):
        files.check_output(possible)
    for directory in (str(tmp_path), str(tmp_path / "a" / "b")):
        files.check_directory(directory)
    assert os.listdir(tmp_path) == ["file"], "looking makes nothing"
    with pytest.raises(InputError, match="-o: the name of the output is empty"):
        files.check_output("")
    with pytest.raises(IsADirectoryError, match="name a file"):
        files.check_output(str(tmp_path))
    with pytest.raises(FileNotFoundError, match=r"there is no directory .*a; make it first"):
        files.check_output(str(tmp_path / "a" / "out"))
    with pytest.raises(InputError, match="-o: the name of the directory is empty"):
        files.check_directory("")
    for below in ("file", "file/under"):
        with pytest.raises(InputError, match=r"-o: .*file is a file; name a directory"):
            files.check_directory(str(tmp_path / below))
    # The superuser may write everywhere, so the system's answer is given here.
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(PermissionError, match="does not let you write into"):
        files.check_output(str(tmp_path / "new"))
    with pytest.raises(InputError, match="the system does not let you write into"):
        files.check_directory(str(tmp_path / "new"))


def test_a_missing_file_with_an_example_s_name_is_told_where_examples_come_from(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="`packetkit demo -o DIR` writes them"):
        files.read_bytes(str(tmp_path / "heron.yaml"))
    with pytest.raises(InputError) as caught:
        files.read_bytes(str(tmp_path / "hero.yaml"))
    assert "demo" not in str(caught.value)
