"""Log files to samples: one module per format, header matching, unit conversion.

::

    source      path to bytes, unpacked and hashed as they are read
    text        bytes to text, in blocks of whole lines
    dialect     where header, units and data are    text logs
    delimited   text to raw columns                 text logs
    columnar    Parquet, Arrow and Feather (arrow)
    mdf         ASAM MDF 4
    headers     words and unit of a header
    picks       a column that serves a channel
    load        which column is the load axis
    plan        which column serves which channel
    numbers     text of cells to numbers
    sensors     volts by a sensor's transfer, raw diagnostic bytes (diagnostic)
    guard       does the unit fit the values
    judge       a column's unit against its values and the axis
    columns     raw column to values inside
    clock       stamps to rising seconds (stamps, timeunit, straight)
    checks      is there enough to go on
    pressures   brought to one reference
    part        one part of a log: all of it, in order
    late        columns that hold nothing in the first part
    watch       a column over all parts
    tally       the further parts of a long log (ahead)
    read        a log whole or part by part

A further format is one more module that is a `tuneassist.reading.log.Parts`.
"""

from tuneassist.reading.log import ColumnReport, Dialect, Log
from tuneassist.reading.read import LogReader, read_log

__all__ = ["ColumnReport", "Dialect", "Log", "LogReader", "read_log"]
