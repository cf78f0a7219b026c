"""The command line: parses, asks a page or a job, prints."""
