"""The sky room against published values and other libraries."""
