"""Log files to samples: one module per format, header matching, unit conversion.

In the order in which bytes become samples::

    source       path to bytes: unpacked, hashed and bounded as they are read
    text_layout  bytes to lines of text; where header, units and data are
    delimited    lines to raw columns                          text logs
    columnar     Arrow and Feather, and all that is in columns
    parquet      pages of a Parquet file, before one is unpacked
    mdf          ASAM MDF 4: blocks, data, formula, values, parts
    cell_parsing a cell, or a column of a table, to numbers
    headers      words and unit of a header
    matching     which column serves which channel
    obd          raw bytes of an OBD response to values
    timeline     stamps to seconds that rise
    unit_checks  does the unit fit the values
    columns      cells to values inside: sensors, units, pressures
    read         a log whole or part by part
    log          what is handed on: log, cells, pieces

A further format is one more module whose class is a `tuneassist.reading.log.Parts`.
"""

from tuneassist.reading.log import ColumnReport, Dialect, Log
from tuneassist.reading.read import LogReader, read_log

__all__ = ["ColumnReport", "Dialect", "Log", "LogReader", "read_log"]
