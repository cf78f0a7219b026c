"""Curves as SVG and PDF."""
