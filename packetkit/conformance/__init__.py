"""Holding codecs to frames whose bytes are known: vectors, damage made on purpose, and records drawn for a layout."""
