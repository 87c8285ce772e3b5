"""Records as files, and files as records: cells under dotted paths, CSV, JSON lines."""
