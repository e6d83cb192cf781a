"""People into verdicts: the sizing trade, the command line, the HTTP interface and the pages."""
