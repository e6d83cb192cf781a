"""What several networks share: sessions, crops, and reading points from maps."""
