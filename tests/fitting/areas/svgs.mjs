// Writes the drawings by other hands that pages are made of, one folder of SVG files a set.
// Run in a folder of its own:
//   npm install @dicebear/core@9 @dicebear/open-peeps@9 @dicebear/notionists@9 @dicebear/lorelei@9
//     @dicebear/big-ears@9 @dicebear/croodles@9 @dicebear/micah@9 @dicebear/personas@9
//     @dicebear/big-smile@9 @dicebear/toon-head@9 @dicebear/miniavs@9
//     @iconify-json/noto @iconify-json/fluent-emoji-flat @iconify-json/twemoji
//     @iconify-json/emojione @iconify-json/fxemoji @iconify-json/tabler @iconify-json/ph
//     @iconify-json/lucide @iconify-json/hugeicons @iconify-json/iconoir @iconify-json/solar
//   node svgs.mjs SVGS
import fs from 'node:fs'
import { createAvatar } from '@dicebear/core'
import * as peeps from '@dicebear/open-peeps'
import * as notion from '@dicebear/notionists'
import * as lorelei from '@dicebear/lorelei'
import * as ears from '@dicebear/big-ears'
import * as croodles from '@dicebear/croodles'
import * as micah from '@dicebear/micah'
import * as personas from '@dicebear/personas'
import * as smile from '@dicebear/big-smile'
import * as toon from '@dicebear/toon-head'
import * as miniavs from '@dicebear/miniavs'

const out = process.argv[2]
const white = ['ffffff']
const figures = [
  ['peeps', peeps, 160, { skinColor: white, clothingColor: white, headContrastColor: ['000000', 'ffffff'] }],
  ['notion', notion, 120, { bodyIconProbability: 20 }],
  ['lorelei', lorelei, 120, { hairColor: ['000000', 'ffffff'], skinColor: white }],
  ['ears', ears, 120, {}],
  ['croodles', croodles, 120, {}],
  ['micah', micah, 100, {}],
  ['personas', personas, 100, {}],
  ['smile', smile, 100, {}],
  ['toon', toon, 100, {}],
  ['miniavs', miniavs, 100, {}],
]
for (const [name, style, count, options] of figures) {
  fs.mkdirSync(`${out}/${name}`, { recursive: true })
  for (let k = 0; k < count; k++) {
    const drawing = createAvatar(style, { seed: `n${k}`, ...options })
    fs.writeFileSync(`${out}/${name}/${k}.svg`, drawing.toString())
  }
}

function write(set, folder, wanted, most) {
  const data = JSON.parse(fs.readFileSync(`node_modules/@iconify-json/${set}/icons.json`))
  fs.mkdirSync(`${out}/${folder}`, { recursive: true })
  const names = Object.keys(data.icons).filter((name) => !data.icons[name].hidden && wanted(name))
  const step = Math.max(1, names.length / most)
  for (let k = 0; k < names.length; k += step) {
    const icon = data.icons[names[Math.floor(k)]]
    const wide = icon.width ?? data.width ?? 16
    const high = icon.height ?? data.height ?? 16
    const head = `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 ${wide} ${high}" width="${wide}" height="${high}">`
    const body = icon.body.replaceAll('currentColor', '#000')
    fs.writeFileSync(`${out}/${folder}/${names[Math.floor(k)]}.svg`, `${head}${body}</svg>`)
  }
}
// one of every drawing: the same in other tones of skin, flags and signs teach nothing new
const plain = (name) =>
  !/(skin|tone|flag|-light$|-dark$|light-|dark-|keycap|clock|button|arrow|square|blood|letter|input|japanese|-o-|sign$|selector|symbols)/.test(name)
write('noto', 'noto', plain, 760)
write('fluent-emoji-flat', 'fluent', plain, 760)
write('twemoji', 'twemoji', plain, 760)
write('emojione', 'emojione', plain, 760)
write('fxemoji', 'fxemoji', plain, 400)
write('tabler', 'tabler', (name) => !/(filled|off$|letter|number|brand|arrow|chevron|align)/.test(name), 500)
write('ph', 'phosphor', (name) => /-light$/.test(name) && !/(arrow|text|caret|logo|number)/.test(name), 350)
write('lucide', 'lucide', (name) => !/(arrow|chevron|letter|align|text)/.test(name), 400)
write('hugeicons', 'hugeicons', (name) => !/(arrow|text|align|solid)/.test(name), 400)
write('iconoir', 'iconoir', (name) => !/(solid|arrow|text|nav|letter)/.test(name), 350)

const solar = JSON.parse(fs.readFileSync('node_modules/@iconify-json/solar/icons.json')).icons
for (const kind of ['broken', 'linear']) fs.mkdirSync(`${out}/solar-${kind}`, { recursive: true })
let number = 0
for (const name of Object.keys(solar)) {
  const whole = name.replace(/-broken$/, '-linear')
  if (whole === name || !solar[whole]) continue
  for (const [kind, icon] of [['broken', name], ['linear', whole]]) {
    const body = solar[icon].body.replaceAll('currentColor', '#000')
    const head = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 24 24" width="24" height="24">'
    fs.writeFileSync(`${out}/solar-${kind}/${number}.svg`, `${head}${body}</svg>`)
  }
  number++
}
