"""Layered pages: OpenRaster and folders of pictures."""
