"""What a monitoring system reads of the daemon, in the text format of Prometheus."""
