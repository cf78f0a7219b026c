"""Underdrawing and printed squares told from ink."""
