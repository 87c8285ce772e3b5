"""What the Python codec and the targets that write code share: facts of the wire that are neither theirs nor the layout's."""
