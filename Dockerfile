# One image for every process; the command says which.
FROM python:3.13-slim
RUN apt-get update && apt-get install -y --no-install-recommends make && rm -rf /var/lib/apt/lists/* \
    && useradd --system --create-home holdfast
WORKDIR /opt/holdfast
COPY . .
RUN make setup && mkdir /data && chown holdfast /data
USER holdfast
ENV HOLDFAST_DATA_DIR=/data PATH="/opt/holdfast/.venv/bin:$PATH"
ENTRYPOINT ["holdfast"]
