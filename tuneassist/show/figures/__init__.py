"""Figures from tidy frames and results; each returns matplotlib axes and shows or writes nothing.

Every ``plot_*`` takes ``ax=None`` and makes a new figure if none is given.
"""
