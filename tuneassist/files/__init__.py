"""Setup file in; grid file and result folder out. The only writers to disk."""
