"""Log files to samples: one module per format, header matching, unit conversion.

::

    source     path to bytes and text            any file
    dialect    where header, units and data are  text logs
    delimited  text to a table of raw columns    text logs
    headers    words and unit of a header
    picks      a column that serves a channel
    load       which column is the load axis
    plan       which column serves which channel
    numbers    text of cells to numbers
    guard      does the unit fit the values
    columns    raw column to values inside
    clock      stamps to rising seconds
    read       all of it, in order

A further format is one more module that ends in a `Table`.
"""

from tuneassist.reading.log import ColumnReport, Dialect, Log
from tuneassist.reading.read import LogReader, read_log

__all__ = ["ColumnReport", "Dialect", "Log", "LogReader", "read_log"]
