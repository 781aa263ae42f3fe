"""The command line: one command or report a file, arguments, exit codes; the only place that prints."""
