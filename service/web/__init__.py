"""The pages: for a family on a phone, for a teacher, and for a quick try."""
