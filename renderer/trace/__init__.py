"""Tracing: from a phantom and a scan plan to echo lines by origin class; compiled kernels and what drives them."""
