"""Bytes and text in, events out: what a capture holds, in order, with nothing left unaccounted for."""
