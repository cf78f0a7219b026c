"""Lettering told apart from the art: texts, outlines of balloons and captions' boxes."""
