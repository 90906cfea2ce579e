"""What followed: the watch of changes that went live, shadows, the walk forward, the account."""
