"""From logged dynamometer sessions to a safe, bounded correction grid, with the doubt shown.

The path of the data::

    reading      log files -> samples in one unit each
    evidence     samples -> steady holds -> deviation per cell with its interval
    correction   deviation -> raw correction -> limited step, verified by an independent checker
    pipeline     the stages in order
    files        setup in; grid and proposal out, all files or none
"""

__version__ = "0.1.0"
