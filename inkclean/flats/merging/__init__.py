"""Which walls fall, so that their rooms become one, and which stay."""
