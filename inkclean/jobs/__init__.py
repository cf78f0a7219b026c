"""Pages as jobs: what is given, what is left, tickets, batches, books, clusters."""
