"""Print files: trim, bleed, tiles, checks."""
