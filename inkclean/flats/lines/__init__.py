"""What the lines say: ends, gaps, hatching, seams."""
