"""How long the whole command takes, what memory it needs, and how both grow with the log."""
