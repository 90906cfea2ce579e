"""How far each limit may move, and the exact counts of a history over those levels."""
