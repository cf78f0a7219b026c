"""Pages and the colours of their book."""
