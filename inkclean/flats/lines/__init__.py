"""What a network sees of the lines: seams between areas, and which places lie in one."""
