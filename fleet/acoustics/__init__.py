"""The computation: filters and their response, delay and distance. numpy and scipy; knows nothing else of fleet."""
