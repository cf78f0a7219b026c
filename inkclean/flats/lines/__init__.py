"""What the lines say: ends, gaps, hatching, lettering, seams."""
