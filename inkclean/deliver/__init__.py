"""Values to files."""
