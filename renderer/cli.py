"""The command line: parses, calls, prints, and decides nothing.

Exit codes: 0 done; 1 the scene or a setting is wrong (faults on stderr, one a line, nothing
written); 2 the command line is wrong; 3 our fault, with the command that repeats it;
130 interrupted.
"""

from __future__ import annotations

import functools
import importlib
import json
import os
import shlex
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, fields
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import click

from renderer.errors import SceneError, SettingError
from renderer.scene import copy_scene, json_schema, read_scene, reference_page, shipped_scene_names
from renderer.scene.names import CLASSES, hint
from renderer.scene.scene import Scene
from renderer.streams import MAX_SEED

PROGRAM = "echowright"
DONE, INPUT_WRONG, COMMAND_WRONG, OUR_FAULT, INTERRUPTED = 0, 1, 2, 3, 130

CAUTION = "Pictures are synthetic: for teaching and research, not for diagnosis or to set a machine by."

COMPILING = "Compiling the kernels for the first time; this takes about a minute."

as_json = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
changed = click.option(
    "--set",
    "changes",
    multiple=True,
    metavar="PATH=VALUE",
    help="Change a setting, such as machine.gain_db=10.",
)
seeded = click.option("--seed", type=click.IntRange(0, MAX_SEED), help="Seed of tissue and noise.")


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; the exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    try:
        result = commands.main(args=words, prog_name=PROGRAM, standalone_mode=False)
        sys.stdout.flush()
        return result if isinstance(result, int) else DONE
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except click.ClickException as error:
        error.show()
        return COMMAND_WRONG
    except SettingError as error:  # of an argument: settings of the scene come as faults
        click.echo(f"{PROGRAM}: {error}", err=True)
        return COMMAND_WRONG
    except SceneError as error:
        return _print_faults(error, "--json" in words)
    except (click.Abort, KeyboardInterrupt):
        return INTERRUPTED
    except BrokenPipeError:
        return _reader_left()
    except Exception as error:  # noqa: BLE001 - whatever else comes up is a fault of this program
        return _own_fault(error, words)


def _print_faults(error: SceneError, wanted_json: bool) -> int:
    if wanted_json:
        _print_json({"faults": [asdict(fault) for fault in error.faults]})
    for fault in error.faults:
        click.echo(str(fault), err=True)
    click.echo(f"{_count(len(error.faults), 'fault')}; nothing was rendered.", err=True)
    return INPUT_WRONG


def _reader_left() -> int:
    """Whoever read our output has gone, as ``head`` does; that is no error of ours."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return DONE


def _own_fault(error: Exception, words: list[str]) -> int:
    kind = type(error).__name__
    click.echo(f"{PROGRAM}: this is a fault of the program, not of the scene: {kind}: {error}", err=True)
    click.echo(f"To repeat it: {shlex.join([PROGRAM, *words])}", err=True)
    return OUR_FAULT


def _print_json(value: Any) -> None:
    click.echo(json.dumps(value, indent=2, ensure_ascii=False))


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _print_version(context: click.Context, _: click.Parameter, wanted: bool) -> None:
    if not wanted:
        return
    try:
        click.echo(f"{PROGRAM} {version(PROGRAM)}")
    except PackageNotFoundError:
        click.echo(f"{PROGRAM}, run from its source tree")
    context.exit()


def _known_classes(_: click.Context, __: click.Parameter, names: tuple[str, ...]) -> tuple[str, ...]:
    """Origin classes, each of them known."""
    for name in names:
        if name not in CLASSES:
            near = hint(name, CLASSES) or f" Known: {', '.join(CLASSES)}"
            raise click.BadParameter(f"unknown class '{name}'.{near}")
    return names


@click.group(help=f"Make synthetic ultrasound pictures of described phantoms, with exact truth.\n\n{CAUTION}")
@click.option(
    "--version",
    is_flag=True,
    expose_value=False,
    is_eager=True,
    callback=_print_version,
    help="Print the version.",
)
def commands() -> None:
    """The group of all commands."""


@commands.command(help="Check scenes and print every fault; nothing is rendered.")
@click.argument("scenes", nargs=-1, required=True, metavar="SCENE...")
@as_json
def check(scenes: tuple[str, ...], as_json: bool) -> int:
    """Check scenes; 1 if any has a fault."""
    results: list[dict[str, Any]] = []
    for name in scenes:
        try:
            scene = read_scene(name)
            results.append({"scene": name, "title": scene.title, "faults": []})
        except SceneError as error:
            results.append({"scene": name, "faults": [asdict(fault) for fault in error.faults]})
            for fault in error.faults:
                click.echo(str(fault), err=True)
        if not as_json and not results[-1]["faults"]:
            click.echo(f"{name}: good")
    if as_json:
        _print_json(results)
    total = sum(len(result["faults"]) for result in results)
    if total:
        click.echo(f"{_count(total, 'fault')}; nothing was rendered.", err=True)
    return INPUT_WRONG if total else DONE


@commands.command("list", help="List the shipped scenes.")
@as_json
def list_scenes(as_json: bool) -> None:
    """Print the shipped scenes with their titles."""
    scenes = [(name, read_scene(name)) for name in shipped_scene_names()]
    if as_json:
        _print_json(
            [{"name": name, "title": s.title, "shows": list(s.shows), "file": s.file} for name, s in scenes]
        )
        return
    width = max((len(name) for name, _ in scenes), default=0)
    for name, scene in scenes:
        click.echo(f"{name:<{width}}  {scene.title}")


@commands.command(help="Put an editable copy of a shipped scene into a folder.")
@click.argument("name")
@click.option("--out", "folder", default=".", metavar="DIR", help="Folder of the copy; this one by default.")
@as_json
def copy(name: str, folder: str, as_json: bool) -> None:
    """Copy a shipped scene."""
    written = copy_scene(name, folder)
    if as_json:
        _print_json({"written": [str(written)]})
    else:
        click.echo(f"wrote {written}")


@commands.command(help="Print the JSON Schema of scene files, for editors.")
@click.option("--page", is_flag=True, help="Print the reference page of all keys in Markdown instead.")
@as_json
def schema(page: bool, as_json: bool) -> None:
    """Print the schema or the reference page."""
    if not page:
        _print_json(json_schema())
    elif as_json:
        _print_json({"page": reference_page()})
    else:
        click.echo(reference_page())


@commands.command(help=f"Render a scene: a picture, its truth and its manifest.\n\n{CAUTION}")
@click.argument("scene")
@changed
@seeded
@click.option("--out", "folder", default=".", metavar="DIR", help="Folder of the files; this one by default.")
@click.option("--overlay", is_flag=True, help="Also write the picture with the truth drawn over it.")
@click.option(
    "--without",
    multiple=True,
    metavar="CLASS",
    callback=_known_classes,
    help="Leave an origin class out, such as mirror.",
)
@as_json
def render(
    scene: str,
    changes: tuple[str, ...],
    seed: int | None,
    folder: str,
    overlay: bool,
    without: tuple[str, ...],
    as_json: bool,
) -> None:
    """Render a scene into files."""
    ready = _ready_scene(scene, changes)
    _refuse_file(Path(folder))
    frame = _renderer().render(ready, seed=seed, without=without)
    store = importlib.import_module("renderer.frame.store")
    written = store.write_frame(frame, Path(folder), ready.name, overlay=overlay)
    if as_json:
        _print_json({"written": [str(path) for path in written]})
        return
    for path in written:
        click.echo(f"wrote {path}")


@commands.command(help="Tell what contributes to the picture at a point, in mm.")
@click.argument("scene")
@click.option(
    "--at", "point", nargs=2, type=float, required=True, metavar="X Z", help="Point in the picture, mm."
)
@changed
@seeded
@as_json
def explain(
    scene: str, point: tuple[float, float], changes: tuple[str, ...], seed: int | None, as_json: bool
) -> None:
    """Print the contributions at a point."""
    ready = _ready_scene(scene, changes)
    frame = _renderer().render(ready, seed=seed)
    rows = frame.explain(*point)
    if as_json:
        _print_json(rows)
        return
    for row in rows:
        click.echo(f"{row['level_db']:7.1f} dB  {row['class']}: {row['path']}")


formatted = click.option(
    "--format",
    "formats",
    default="png",
    metavar="LIST",
    help="Formats of the pages, with commas between: png, svg, pdf. PNG where not said.",
)
darkened = click.option("--dark", is_flag=True, help="Pages for a dark room.")
placed = click.option(
    "--out", "folder", default=".", metavar="DIR", help="Folder of the files; this one by default."
)


@dataclass(frozen=True)
class PageOptions:
    """What every command that writes pages of a scene is told."""

    scene: str
    changes: tuple[str, ...]
    seed: int | None
    folder: str
    formats: str
    dark: bool

    def ready_scene(self) -> Scene:
        """The scene with its changed settings; a folder that cannot be one is refused before any work."""
        ready = _ready_scene(self.scene, self.changes)
        _refuse_file(Path(self.folder))
        return ready


def makes_pages(command: Callable[..., None]) -> Callable[..., None]:
    """A command that is told where to write which pages, as its first argument."""

    @functools.wraps(command)
    def gathered(**values: Any) -> None:
        own = {field.name: values.pop(field.name) for field in fields(PageOptions)}
        command(PageOptions(**own), **values)

    for option in (darkened, formatted, placed, seeded, changed, click.argument("scene")):
        gathered = option(gathered)
    return gathered


@commands.command(
    help=f"""Make slide-ready pages of a scene.

The picture with labels, its twin without a clue, a pair that reveals what is false, how the sound made
it, and the picture after each remedy; with notes in numbers.

{CAUTION}"""
)
@makes_pages
@click.option("--no-remedies", is_flag=True, help="Leave the remedies out; each costs another picture.")
@as_json
def figure(asked: PageOptions, no_remedies: bool, as_json: bool) -> None:
    """Write labelled pages of a scene."""
    ready = asked.ready_scene()
    teach = _teacher(asked.formats)
    made = teach.figure(ready, seed=asked.seed, dark=asked.dark, remedies=not no_remedies, tell=_tell)
    _tell("pages")
    _print_written(made.write(asked.folder, asked.formats.split(",")), as_json)


@commands.command(
    help=f"""Run one or two settings through their values.

--vary machine.gain_db=-20:20:9 (from, to, number of pictures), --vary machine.grey_map=soft,linear, or a
place in a list: --vary 'solids.grape.centre_mm[0]=-12:12:5'. Gives a contact sheet, curves, a table, a
cine, and one HTML file with a slider. Files are called SCENE.sweep-PATH.*, as in
plate.sweep-machine-gain_db.contact.png.

{CAUTION}"""
)
@makes_pages
@click.option(
    "--vary", "axes", multiple=True, required=True, metavar="PATH=VALUES", help="What to vary; once or twice."
)
@click.option("--film", is_flag=True, help="Also write the cine as MP4.")
@as_json
def sweep(asked: PageOptions, axes: tuple[str, ...], film: bool, as_json: bool) -> None:
    """Write the pictures and curves of a sweep."""
    ready = asked.ready_scene()
    teach = _teacher(asked.formats, film=film)
    made = teach.sweep(ready, axes, seed=asked.seed, tell=_tell)
    _tell("pages")
    written = teach.write_sweep(made, asked.folder, asked.formats.split(","), dark=asked.dark, film=film)
    _print_written(written, as_json)


def _teacher(formats: str, *, film: bool = False) -> Any:
    """The package that draws pages, loaded only where it is needed; extras and formats are asked for first."""
    needs = importlib.import_module("renderer.teach.needs")
    needs.checked_formats(formats.split(","))
    needs.need_figures()
    if film:
        needs.need_video()
    _renderer()
    return importlib.import_module("renderer.teach")


def _print_written(written: Sequence[Path], wanted_json: bool) -> None:
    _tell("")
    if wanted_json:
        _print_json({"written": [str(path) for path in written]})
        return
    for path in written:
        click.echo(f"wrote {path}")


def _refuse_file(folder: Path) -> None:
    """Say that a folder is wanted before a picture is made, and not afterwards."""
    if folder.exists() and not folder.is_dir():
        raise SettingError(f"--out wants a folder, and '{folder}' is none")


def _renderer() -> Any:
    """The module that renders, loaded only where it is needed: its kernels take half a second."""
    jit = importlib.import_module("renderer.jit")
    # Asked before the kernels are loaded, because that makes the folder.
    if not any(file.is_file() for file in jit.cache_folder().rglob("*")):
        click.echo(COMPILING, err=True)
    return importlib.import_module("renderer.flow")


def _ready_scene(name: str, changes: Sequence[str]) -> Scene:
    """A scene with the settings of the command line."""
    pairs = [_setting(text) for text in changes]
    scene = read_scene(name)
    _note_own_file(name)
    return scene.with_written_settings(pairs) if pairs else scene


def _note_own_file(name: str) -> None:
    """Say so where a shipped scene is asked for while a file of its name, most likely a copy, lies here."""
    own = Path(f"{name}.yaml")
    if name in shipped_scene_names() and own.is_file():
        click.echo(f"This is the shipped scene '{name}'; for the file that lies here write {own}.", err=True)


def _tell(step: str) -> None:
    """What is being done now: on a terminal in one line that is written over, elsewhere in lines."""
    if sys.stderr.isatty():
        click.echo(f"\r{step + ' …' if step else '':<60}" + ("" if step else "\r"), nl=False, err=True)
    elif step:
        click.echo(step, err=True)


def _setting(text: str) -> tuple[str, str]:
    """A path and a value, as they are written, from ``path=value``."""
    path, equals, value = text.partition("=")
    if not equals or not path.strip():
        raise SettingError(f"--set wants PATH=VALUE, such as machine.gain_db=10, got '{text}'")
    return path.strip(), value
