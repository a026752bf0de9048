"""From samples to what each cell needs, and how sure that is.

::

    refresh      values that were really renewed, on one time line
    steady       masks: at rest, warm, fuelled
    delay        how late lambda arrives
    need         what each sample needs: lambda against target, composed with the trims
    holds        steady stretches to one row per hold
    consistency  a log that tells another story
    lattice      holds to breakpoint values with their covariance
    cell_table   values to deviation, interval and a word of confidence
    coverage     what has been seen, held and trusted
"""
