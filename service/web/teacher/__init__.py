"""Pages of the teacher."""
