"""Several photos of one page become one picture of it."""
