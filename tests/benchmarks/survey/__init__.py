"""How fast a survey of many logs is, and how well it uses the cores."""
