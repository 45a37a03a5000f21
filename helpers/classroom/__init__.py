"""Workbook furniture: strip, panels and guesses, exercises, forms, cards, figures and text. Knows nothing of
telescopes.
"""
