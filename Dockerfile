FROM golang:1.26-bookworm AS build
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY . .
RUN CGO_ENABLED=0 go build -o /sideport ./server

FROM debian:bookworm-slim
RUN apt-get update && apt-get install -y --no-install-recommends ffmpeg && rm -rf /var/lib/apt/lists/*
RUN useradd --system --create-home --home-dir /data sideport
USER sideport
COPY --from=build /sideport /usr/local/bin/sideport
VOLUME /data
EXPOSE 8321
ENTRYPOINT ["sideport"]
CMD ["serve", "--data", "/data/library", "--listen", "0.0.0.0:8321"]
