"""Frames: scan conversion, the truth that goes with a picture, and frames on disk."""
