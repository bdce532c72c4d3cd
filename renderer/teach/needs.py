"""What a command asks before anything heavy is loaded: formats and extras."""

from __future__ import annotations

from collections.abc import Iterable
from importlib.util import find_spec

from renderer.errors import SettingError

FORMATS = ("png", "svg", "pdf")


def checked_formats(formats: Iterable[str]) -> tuple[str, ...]:
    """Formats, each of them known, each once.

    Raises
    ------
    SettingError
        If one is not known, or there are none.
    """
    wanted = tuple(dict.fromkeys(name.strip().lower() for name in formats))
    for name in wanted:
        if name not in FORMATS:
            raise SettingError(f"unknown format '{name}'; there are: {', '.join(FORMATS)}")
    if not wanted:
        raise SettingError(f"at least one format is wanted: {', '.join(FORMATS)}")
    return wanted


def need_figures() -> None:
    """Say how to install the drawing library where it is missing.

    Raises
    ------
    SettingError
        With the command that installs it.
    """
    if find_spec("matplotlib") is None:
        raise SettingError("figures need matplotlib: pip install 'echowright[figures]'")


def need_video() -> None:
    """Say how to install the writer of films where it is missing.

    Raises
    ------
    SettingError
        With the command that installs it.
    """
    if find_spec("imageio") is None or find_spec("imageio_ffmpeg") is None:
        raise SettingError("films need imageio with ffmpeg: pip install 'echowright[video]'")
