"""The command line: one module per command that reads, calls, shows and writes.

Nothing here computes. Heavy imports stand inside the functions that need them, so that help and
wrong usage are answered at once.
"""
