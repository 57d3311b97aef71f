"""What a person sees: pictures and exported files."""
