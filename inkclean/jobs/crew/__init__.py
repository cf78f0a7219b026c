"""How many pages are worked on at once, and how long they will still take."""
