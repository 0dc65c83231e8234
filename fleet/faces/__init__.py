"""Between people and services: command line, HTTP API, later the web page. They hold no rules."""
