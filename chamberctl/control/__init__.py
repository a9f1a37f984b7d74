"""The controller's law, its forms, its margins, and the rules that find its numbers."""
