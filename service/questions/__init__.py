"""What is asked, once: the questions that command line, HTTP interface and pages all put."""
