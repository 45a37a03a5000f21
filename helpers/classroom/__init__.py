"""Workbook furniture: figures, panels of sliders, forms, exercises and file reading. Knows nothing of telescopes."""
