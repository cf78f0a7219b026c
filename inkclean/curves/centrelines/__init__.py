"""The ink as strokes: centrelines with widths."""
