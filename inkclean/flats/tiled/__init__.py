"""What is told of a page, and of the parts of it that changed, without knowing what it shows."""
