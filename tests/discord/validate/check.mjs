// Holds what is sent to Discord against outside checks: the schema made from
// Discord's own published API description, and the limits of a builder
// library. Lines of JSON come in: {"kind":…,"body":…}; a fault a line goes out.
import { createInterface } from "node:readline";
import * as spec from "discord-api-spec/zod";
import { ButtonBuilder, SlashCommandBuilder, StringSelectMenuOptionBuilder } from "@discordjs/builders";

const schemas = {
  message: spec.MessageCreateRequestSchema,
  reply: spec.CreateMessageInteractionCallbackRequestSchema,
  change: spec.UpdateMessageInteractionCallbackRequestSchema,
  modal: spec.ModalInteractionCallbackRequestSchema,
  command: spec.ApplicationCommandUpdateRequestSchema,
};

function built(kind, body) {
  if (kind === "command") {
    const c = new SlashCommandBuilder().setName(body.name).setDescription(body.description);
    c.setNameLocalizations(body.name_localizations);
    c.setDescriptionLocalizations(body.description_localizations);
  }
  for (const row of body.components ?? []) {
    for (const part of row.components ?? []) {
      if (part.type === 2) new ButtonBuilder().setLabel(part.label);
      for (const o of part.options ?? []) new StringSelectMenuOptionBuilder().setLabel(o.label).setValue(o.value);
    }
  }
}

let seen = 0;
for await (const line of createInterface({ input: process.stdin })) {
  const { kind, body } = JSON.parse(line);
  seen++;
  const schema = schemas[kind];
  if (!schema) throw new Error(`no schema for ${kind}`);
  const out = schema.safeParse(body);
  if (!out.success) console.log(`${kind}: ${JSON.stringify(out.error.issues[0])}: ${line.slice(0, 300)}`);
  try {
    built(kind, body);
  } catch (e) {
    console.log(`${kind}: ${e.message}: ${line.slice(0, 300)}`);
  }
}
console.log(`seen ${seen}`);
