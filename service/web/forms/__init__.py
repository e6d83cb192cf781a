"""Forms: what people type into a page, as typed values."""
