"""What the API can do: as OpenAPI for programs, as a page for people; neither fetches anything from elsewhere."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, Response

from kerfmark.web.gate import AnyVisitor
from kerfmark.web.rendering import page

__all__ = ["router"]

router = APIRouter(prefix="/api", include_in_schema=False)


@router.get("/openapi.json")
def openapi(request: Request) -> Response:
    """The description for programs (OpenAPI 3.1)."""
    return JSONResponse(request.app.openapi())


@router.get("/docs")
def docs(request: Request, visitor: AnyVisitor) -> Response:
    """The description for people."""
    described = request.app.openapi()
    groups: dict[str, list[dict[str, Any]]] = {}
    for path, methods in described["paths"].items():
        for method, told in methods.items():
            groups.setdefault(told["tags"][0], []).append(_operation(path, method, told))
    return page(visitor, "api_docs.html", groups=groups, version=described["info"]["version"])


def _operation(path: str, method: str, told: dict[str, Any]) -> dict[str, Any]:
    bodies = told.get("requestBody", {}).get("content", {})
    return {
        "path": path,
        "method": method.upper(),
        "words": told.get("description") or told.get("summary", ""),
        "parameters": [
            (p["name"], p["in"], p.get("required", False), p.get("description", "")) for p in told.get("parameters", [])
        ],
        "body": [
            (
                kind,
                content.get("schema", {}).get("$ref", "").rsplit("/", 1)[-1]
                or content.get("schema", {}).get("type", ""),
            )
            for kind, content in bodies.items()
        ],
        "answers": [(status, said.get("description", "")) for status, said in told["responses"].items()],
    }
