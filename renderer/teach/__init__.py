"""Figures for teaching: labelled pictures, their causes and remedies, and sweeps of a setting."""

from renderer.teach.figure import Figure, figure
from renderer.teach.sweep_files import write_sweep
from renderer.teach.sweeps import Axis, Sweep, parse_axis, sweep
from renderer.teach.words import ENGLISH, Words

__all__ = ["ENGLISH", "Axis", "Figure", "Sweep", "Words", "figure", "parse_axis", "sweep", "write_sweep"]
