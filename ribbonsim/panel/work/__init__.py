"""What draws, checks, films and packs on threads of its own."""
