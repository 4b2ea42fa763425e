"""Operations of R4 as plain functions: validate, everything, lastn, translate. The routes are in `service.api`."""
