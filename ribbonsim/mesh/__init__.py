"""What a file gives, whatever its format."""
