"""The local page on which the whole job is done with pen, finger or mouse."""
