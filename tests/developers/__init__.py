"""What DEVELOPERS.md shows, carried out."""
