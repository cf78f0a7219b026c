"""What every room uses and what knows no other: arrays, lengths, errors, tiles of a page."""
