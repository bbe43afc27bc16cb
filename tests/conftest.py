"""Puts this folder on the import path, so that tests of every room can share ``strategies``."""
