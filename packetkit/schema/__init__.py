"""What the team wrote: schema text read into nodes with positions, checked word by word, held as a model."""
