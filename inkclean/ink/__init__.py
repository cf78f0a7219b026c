"""From a sheet to ink: the pencil gone, every inked mark at its true weight."""
