"""Frames in a stream of bytes by delimiters and escapes; knows no fields."""
