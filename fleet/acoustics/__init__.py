"""The computation: filters and their response, delay and distance. numpy only; knows nothing of the rest of fleet."""
