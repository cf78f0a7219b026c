"""What every stage uses and what knows none of them: arrays, lengths, errors, tiles of a page."""
