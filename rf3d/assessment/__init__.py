"""What it means: links, multipath warnings and verdicts."""
