"""One HTML file with a slider: all pictures of a sweep and their readings, without a network."""

from __future__ import annotations

import base64
import html
import io
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image

from renderer.frame.store import write_png
from renderer.teach.album import caption
from renderer.teach.curves import Panel, panels, place_on_axis, series_name, show_value, sweep_title
from renderer.teach.sweeps import Shot, Sweep
from renderer.teach.words import Words

TEMPLATE = Path(__file__).with_name("slider.html")
LARGEST_PX = 900


def slider_page(result: Sweep, words: Words) -> str:
    """The page as text. It works by mouse, touch and arrow keys, and says its values to those who hear it."""
    title = sweep_title(result, words)
    made = panels(result)
    data = {
        "axes": [
            {"path": words.setting(a.path), "values": [show_value(v) for v in a.values], "places": place_on_axis(a)}
            for a in result.axes
        ],
        "panels": [_panel_data(panel) for panel in made],
        "shots": [_shot_data(result, shot, number, words) for number, shot in enumerate(result.shots, start=1)],
        "play": words("sweep.play"),
        "stop": words("sweep.stop"),
    }  # fmt: skip
    # A slash in a string must not end the script element
    text = json.dumps(data, ensure_ascii=False, allow_nan=False).replace("</", "<\\/")
    page = TEMPLATE.read_text(encoding="utf-8")
    parts = {
        "TITLE": html.escape(title), "PLAY": html.escape(words("sweep.play")), "HELP": html.escape(words("sweep.help")),
        "NOW": html.escape(words("sweep.now")), "CAUTION": html.escape(words("caution")), "DATA": text,
    }  # fmt: skip
    for name, part in parts.items():
        page = page.replace(f"@{name}@", part)
    return page


def _panel_data(panel: Panel) -> dict[str, Any]:
    """Curves of a panel; shares that differ much are drawn on a logarithmic scale."""
    values = np.concatenate([s.values[np.isfinite(s.values)] for s in panel.series])
    positive = values[values > 0]
    log = bool(panel.quantity == "share" and len(positive) and values.max() / max(positive.min(), 1e-3) > 30)
    return {
        "title": panel.title, "log": log, "floor": max(float(positive.min()), 1e-3) if len(positive) else 1e-3,
        "series": [{"name": s.name, "values": [_number(v) for v in s.values]} for s in panel.series],
    }  # fmt: skip


def _number(value: float) -> float | None:
    return float(f"{value:.5g}") if math.isfinite(value) else None


def _shot_data(result: Sweep, shot: Shot, number: int, words: Words) -> dict[str, Any]:
    of = words("sweep.frame", number=number, count=len(result.shots))
    alt = f"{of}. {caption(result, shot)}. {'; '.join(shot.findings)}"
    readings = [
        [f"{series_name(key, words)}: {words('sweep.' + key[0])}" if key[1] else words(f"sweep.{key[0]}"), _said(value)]
        for key, value in shot.readings.items() if key[0] in ("share", "penetration", "level", "width", "gcnr")
    ]  # fmt: skip
    return {"image": _picture_data(shot.image), "alt": alt, "readings": readings[:14]}


def _said(value: float) -> str:
    return (
        (f"{value:.2f}" if abs(value) < 10 else f"{value:.1f}").replace("-", "−")
        if math.isfinite(value)
        else "–"
    )


def _picture_data(image: npt.NDArray[np.uint8]) -> str:
    """A picture as a data address, shrunk if it is very large."""
    shrink = min(1.0, LARGEST_PX / max(image.shape))
    if shrink < 1.0:
        size = round(image.shape[1] * shrink), round(image.shape[0] * shrink)
        image = np.asarray(Image.fromarray(image).resize(size, Image.Resampling.LANCZOS))
    out = io.BytesIO()
    write_png(image, out)  # type: ignore[arg-type]  # Pillow writes to what can be written to
    return "data:image/png;base64," + base64.b64encode(out.getvalue()).decode()
