# The service in two stages: the first builds the wheel and a virtual environment, the second keeps the environment alone.
# It runs as any user, needs no capability, and writes nowhere but /tmp.

FROM python:3.13-slim-trixie AS build
WORKDIR /src
COPY LICENSE README.md pyproject.toml ./
COPY sdk sdk
COPY service service
RUN python -m pip wheel --no-cache-dir --no-deps --wheel-dir /wheels .
# No pip in the environment: what runs cannot install.
RUN python -m venv --without-pip /opt/tallwide \
    && set -- /wheels/tallwide-*.whl \
    && python -m pip --python /opt/tallwide/bin/python install --no-cache-dir "$1[service,arrow]"

FROM python:3.13-slim-trixie
LABEL org.opencontainers.image.title="tallwide" \
      org.opencontainers.image.description="Framing for pictures that leave one camera in several shapes" \
      org.opencontainers.image.licenses="Apache-2.0"
ENV PATH=/opt/tallwide/bin:$PATH \
    HOME=/tmp \
    PYTHONDONTWRITEBYTECODE=1 \
    PYTHONUNBUFFERED=1
COPY --from=build /opt/tallwide /opt/tallwide
WORKDIR /tmp
USER 10001:10001
EXPOSE 8080
STOPSIGNAL SIGTERM
# http.client rather than urllib: a proxy that the host's environment names must not answer for this container.
HEALTHCHECK --interval=10s --timeout=4s --start-period=15s --retries=3 \
    CMD ["python", "-c", "import http.client as h; c = h.HTTPConnection('127.0.0.1', 8080, timeout=3); c.request('GET', '/readyz'); raise SystemExit(c.getresponse().status != 200)"]
CMD ["tallwide", "serve", "--host", "0.0.0.0", "--port", "8080"]
