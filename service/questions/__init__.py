"""What is asked, once: each question is one typed model that command line, HTTP and pages all read."""
