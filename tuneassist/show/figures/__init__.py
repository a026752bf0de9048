"""Figures that return matplotlib axes: tidy frames and results in, nothing shown, nothing written.

Every ``plot_*`` takes ``ax=None`` and makes a figure of its own where none is given.
"""
