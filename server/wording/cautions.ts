/** What every reader of the record should know: the cautions, and the limits of what it can show. */

export const CAUTIONS: readonly string[] = Object.freeze([
  'A wrong or interrupted image can leave a device dead. Do not cut its power while it writes. Have the rollback image and access to the console ready.',
  'What is powered or carried by a device goes down with it: phones, and with them emergency calls; door control, alarms, cameras. Agree a window, tell those concerned, and keep another way to call for help.',
  'Follow the maker’s instructions, the site’s change control, and local codes. Electrical work belongs to licensed people.',
])

export const WHAT_THIS_SHOWS: readonly string[] = Object.freeze([
  'This record shows which bytes left the serving computer, to which address, and what the device acknowledged. Every block was compared with the image’s digest before it was sent. “Pulled” and “complete” mean that the device took every byte and closed the connection normally.',
  'Only the device itself can say what it holds and what it runs. Versions before and after are what a person read and wrote down; a digest that a device printed of what it stored is the best evidence there is.',
  'The images travelled over HTTP, which is not encrypted, and network and hardware addresses can be borrowed. On a network that is not trusted, compare the digest on the device. Times come from the serving computer’s clock; durations from a clock that nobody can set.',
])
