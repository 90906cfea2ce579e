"""One file per command; ``cli.py`` finds them by name and loads only the one called."""
