// Writes the SVG files that tests/fitting/others.py draws its pages from, into a folder.
// Run: npm install @iconify-json/solar @dicebear/core@9 @dicebear/open-peeps@9
//        @dicebear/notionists@9 @dicebear/lorelei@9 ; node svgs.mjs FOLDER
import fs from 'node:fs'
import { createAvatar } from '@dicebear/core'
import * as peeps from '@dicebear/open-peeps'
import * as notion from '@dicebear/notionists'
import * as lorelei from '@dicebear/lorelei'

const out = process.argv[2]
const white = ['ffffff']
const figures = [
  ['peeps', peeps, 160, { skinColor: white, clothingColor: white, headContrastColor: ['000000', 'ffffff'] }],
  ['notion', notion, 120, { bodyIconProbability: 20 }],
  ['lorelei', lorelei, 120, { hairColor: ['000000', 'ffffff'], skinColor: white }],
]
for (const [name, style, count, options] of figures) {
  fs.mkdirSync(`${out}/${name}`, { recursive: true })
  for (let k = 0; k < count; k++) {
    const drawing = createAvatar(style, { seed: `n${k}`, ...options })
    fs.writeFileSync(`${out}/${name}/${k}.svg`, drawing.toString())
  }
}

const { icons } = JSON.parse(fs.readFileSync('node_modules/@iconify-json/solar/icons.json'))
for (const kind of ['broken', 'linear']) fs.mkdirSync(`${out}/${kind}`, { recursive: true })
let number = 0
for (const name of Object.keys(icons)) {
  if (!name.endsWith('-broken')) continue
  const whole = name.replace(/-broken$/, '-linear')
  if (!icons[whole]) continue
  for (const [kind, icon] of [['broken', name], ['linear', whole]]) {
    const body = icons[icon].body.replaceAll('currentColor', '#000')
    const head = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 24 24" width="24" height="24">'
    fs.writeFileSync(`${out}/${kind}/${number}.svg`, `${head}${body}</svg>`)
  }
  number++
}
