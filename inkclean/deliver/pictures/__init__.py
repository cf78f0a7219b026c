"""Bitmaps: ink, proofs, contact sheets."""
