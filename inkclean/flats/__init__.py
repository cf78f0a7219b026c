"""From ink to the areas a person would colour."""
