"""The command line: one module per command that reads options, calls one function and shows.

Nothing here computes. `commands` lists the commands, `app` runs them. The modules of
`tuneassist.files`, `tuneassist.show` and `tuneassist.workflow` are imported on first use, so that
help and wrong usage are answered at once.
"""
