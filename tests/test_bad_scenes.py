"""Each file of bad_phantoms has one fault; its first comment holds the message, word for word."""

from pathlib import Path

import pytest

from renderer.errors import SceneError
from renderer.scene import read_scene

FILES = sorted((Path(__file__).parent / "bad_phantoms").glob("*.yaml"))
MARK = b"# expect: "


def expected(file: Path) -> str:
    """The message in the first comment of a file, without the name of the file."""
    first = file.read_bytes().split(b"\n", 1)[0]
    assert first.startswith(MARK), f"{file.name} does not say what to expect"
    return first.removeprefix(MARK).decode()


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_fault_is_reported_word_for_word(file):
    with pytest.raises(SceneError) as caught:
        read_scene(file)

    assert [str(fault) for fault in caught.value.faults] == [f"{file}{expected(file)}"]


def test_there_are_enough_of_them():
    """The folder is walked, not skipped."""
    assert len(FILES) >= 60


def test_missing_file(tmp_path):
    with pytest.raises(SceneError, match="nowhere.yaml: there is no such file"):
        read_scene(tmp_path / "nowhere.yaml")


def test_folder(tmp_path):
    with pytest.raises(SceneError, match="is a folder; the path of a scene file is wanted"):
        read_scene(tmp_path)


def test_file_with_no_bytes(tmp_path):
    (tmp_path / "empty.yaml").write_bytes(b"")
    with pytest.raises(SceneError, match="empty.yaml: the scene is empty"):
        read_scene(tmp_path / "empty.yaml")


def test_huge_file(tmp_path):
    (tmp_path / "huge.yaml").write_bytes(b"# " + b"x" * 1_100_000)
    with pytest.raises(SceneError, match="is larger than 1000000 bytes"):
        read_scene(tmp_path / "huge.yaml")


def test_many_small_elements(tmp_path):
    """More events than a scene can need stop the reading, however small the file."""
    (tmp_path / "many.yaml").write_text(f"title: [{','.join('1' * 110_000)}]")
    with pytest.raises(SceneError, match="has more than 100000 elements"):
        read_scene(tmp_path / "many.yaml")


def test_sixteen_bit_text(tmp_path):
    (tmp_path / "wide.yaml").write_bytes("title: wide".encode("utf-16"))
    with pytest.raises(SceneError, match="wide.yaml:1: is no UTF-8 text"):
        read_scene(tmp_path / "wide.yaml")


@pytest.mark.parametrize("path", [None, 3, b"scene.yaml", ["a"]])
def test_path_of_the_wrong_kind(path):
    with pytest.raises(
        SceneError, match="the path of a scene file, or the name of a shipped scene, is wanted"
    ):
        read_scene(path)


def test_path_that_no_system_has():
    with pytest.raises(SceneError, match=r"a\?b.yaml: is no usable path"):
        read_scene("a\0b.yaml")


def test_name_that_is_not_shipped():
    with pytest.raises(SceneError, match="no shipped scene is called 'nonsuch'"):
        read_scene("nonsuch")
