"""Bytes in, readings or rejections out; no I/O, no clock."""
