"""Files that are written whole or not at all, and folders that others put files in."""
