"""Tests of lettering told apart from the art."""
