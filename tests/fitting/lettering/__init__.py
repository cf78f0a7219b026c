"""Fitting of what tells letters from art."""
