"""The pure core: records in, records out; no files, ports, clocks, threads or logging."""
