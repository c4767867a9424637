# One image for every process; the command says which.
FROM python:3.13-slim-bookworm AS build
WORKDIR /opt/holdfast
# Locks first: the layer with the packages is made anew only when they change.
COPY requirements/build.txt requirements/runtime.txt requirements/
RUN python -m venv .venv \
    && .venv/bin/pip install --no-cache-dir --quiet --require-hashes -r requirements/build.txt \
    && .venv/bin/pip install --no-cache-dir --quiet --require-hashes -r requirements/runtime.txt
COPY . .
RUN sh ops/setup.sh .venv runtime

FROM python:3.13-slim-bookworm
# The number of Mosquitto's user in its image: both read the files in /access, and so may nobody else.
RUN useradd --system --uid 1883 --no-create-home --shell /usr/sbin/nologin holdfast \
    && install -d -o holdfast -g holdfast -m 0700 /data /access
COPY --from=build /opt/holdfast /opt/holdfast
USER holdfast
WORKDIR /
ENV PATH="/opt/holdfast/.venv/bin:$PATH" \
    PYTHONUNBUFFERED=1 \
    HOLDFAST_DATA_DIR=/data \
    HOLDFAST_ACCESS_DIR=/access
ENTRYPOINT ["holdfast"]
