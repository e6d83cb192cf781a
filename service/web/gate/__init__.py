"""Who may come in: sessions, links, limits."""
