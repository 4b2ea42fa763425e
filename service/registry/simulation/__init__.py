"""Registry data at scale, made from a seed: for benchmarks and demonstrations, never for conclusions."""
