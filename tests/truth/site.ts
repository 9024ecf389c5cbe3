/** What a simulated device meets: where the server is, whether it is alive, and the images behind it. */
import type { DeviceConnection } from './connection.ts'
import type { Images } from './images.ts'

export interface Site {
  readonly port: number
  readonly tftpPort: number
  readonly images: Images
  /** Counts the server's lives: one more with every kill. */
  life(): number
  /** Resolves while the server accepts connections. */
  up(): Promise<void>
  /** Connections of devices that vanished; they are dropped, unread, when the run ends or there are too many. */
  leaveBehind(connection: Pick<DeviceConnection, 'close'>): void
}
