"""What can be measured on frames: widths, contrast, speckle, positions, with uncertainty."""
