"""What is stored of each history file, so that a night reads only what is new."""
