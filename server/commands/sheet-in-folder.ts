/** The visit sheet of a folder, read once. */
import { checkFolder } from '../files/folder.ts'
import { createVisitFile, type ReadSheet } from '../visit/visit-file.ts'

/** `trouble`: why one that is there could not be read. Throws the coded errors of the folder. */
export async function sheetInFolder(
  folder: string,
): Promise<{ readonly sheet: ReadSheet | undefined; readonly trouble: string | undefined }> {
  const file = createVisitFile({ folder: await checkFolder(folder) })
  const troubles: string[] = []
  file.events.on('trouble', (message) => troubles.push(message))
  try {
    await file.look()
  } finally {
    file.close()
  }
  return { sheet: file.sheet, trouble: troubles[0] }
}
