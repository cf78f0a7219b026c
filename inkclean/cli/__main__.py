"""``python -m inkclean.cli``: the same as the command ``inkclean``."""

from inkclean.cli.main import main

main()
