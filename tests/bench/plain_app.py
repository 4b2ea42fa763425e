"""What the routes of the service are compared with: the framework serving plain bytes, and serving a response model."""

import os
from pathlib import Path

import orjson
from fastapi import FastAPI
from fhir.resources.R4B.observation import Observation
from starlette.responses import Response

BODY = Path(os.environ["BENCH_BODY"]).read_bytes()
app = FastAPI()


@app.get("/ping")
async def ping() -> Response:
    """Bytes that are there already."""
    return Response(BODY, media_type="application/fhir+json")


@app.get("/model", response_model=Observation)
async def model() -> Observation:
    """A resource as a model, checked and written by the framework."""
    return Observation.model_validate(orjson.loads(BODY))
