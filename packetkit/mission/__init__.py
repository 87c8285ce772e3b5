"""Where schema, layout, codec, radio and passes meet."""
