"""What a schema means on the wire: the single intermediate representation that every back end reads."""
