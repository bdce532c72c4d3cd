"""Figures for teaching: labelled pictures, their causes and remedies, and sweeps of a setting."""

from renderer.teach.figure import Figure, figure
from renderer.teach.words import ENGLISH, Words

__all__ = ["ENGLISH", "Figure", "Words", "figure"]
