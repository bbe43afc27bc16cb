"""Digests of everything that the program writes, so that a change of any byte is seen.

``python -m tests.golden`` compares, ``--write`` accepts what is written now, and ``--dump DIR`` leaves all of it in
files, to be held against the same of another commit.
"""
