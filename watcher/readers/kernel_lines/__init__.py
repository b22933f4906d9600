"""What the lines of a kernel log mean: tables of patterns, and the story that neighbours tell."""
