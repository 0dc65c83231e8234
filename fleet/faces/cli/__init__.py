"""The command line: results to stdout, progress and prose to stderr, exit codes as POSIX diff has them."""
