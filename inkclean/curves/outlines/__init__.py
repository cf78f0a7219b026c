"""The ink's outlines: edges, corners, straight lines, ovals."""
