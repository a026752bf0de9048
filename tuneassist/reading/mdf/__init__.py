"""ASAM MDF 4 logs: blocks, data, values, then parts on one time line."""

from tuneassist.reading.mdf.parts import MdfParts

__all__ = ["MdfParts"]
