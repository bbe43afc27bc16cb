import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.DefaultProfileValidationSupport;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.context.support.ValidationSupportContext;
import ca.uhn.fhir.parser.IParser;
import ca.uhn.fhir.validation.FhirValidator;
import ca.uhn.fhir.validation.SingleValidationMessage;
import java.io.BufferedReader;
import java.io.IOException;
import java.io.InputStreamReader;
import java.io.PrintStream;
import java.lang.reflect.Proxy;
import java.nio.charset.StandardCharsets;
import java.nio.file.Files;
import java.nio.file.Path;
import java.util.HashMap;
import java.util.List;
import java.util.Map;
import java.util.Set;
import java.util.regex.Pattern;
import java.util.stream.Stream;
import org.hl7.fhir.common.hapi.validation.support.CachingValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.CommonCodeSystemsTerminologyService;
import org.hl7.fhir.common.hapi.validation.support.InMemoryTerminologyServerValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.PrePopulatedValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.SnapshotGeneratingValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.UnknownCodeSystemWarningValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.ValidationSupportChain;
import org.hl7.fhir.common.hapi.validation.validator.FhirInstanceValidator;
import org.hl7.fhir.instance.model.api.IBaseResource;
import org.hl7.fhir.r4.model.Questionnaire;
import org.hl7.fhir.r4.model.StructureDefinition;
import org.hl7.fhir.r5.utils.validation.IValidatorResourceFetcher;
import org.hl7.fhir.r5.utils.validation.constants.BestPracticeWarningLevel;

/**
 * The validation engine of the standard (org.hl7.fhir.validation, as HAPI FHIR packs it) over resources on standard
 * input, one JSON or XML resource a line. Arguments: files of StructureDefinitions, ValueSets, CodeSystems and Questionnaires
 * to know besides those of R4 (JSON or XML), or folders of such: FHIR packages, unpacked. Writes one line a message: number of the resource, severity, place, message id, message,
 * separated by tabs; at the end "judged" and how many. Terminology is what R4 itself defines: LOINC and SNOMED CT
 * codes are not looked up (unknown code systems are warnings).
 */
public class Judge {
  public static void main(String[] arguments) throws Exception {
    PrintStream out = new PrintStream(System.out, true, StandardCharsets.UTF_8);
    System.setOut(System.err); // the engine says some things there
    FhirContext context = FhirContext.forR4();
    PrePopulatedValidationSupport more = new PrePopulatedValidationSupport(context);
    Questionnaires questionnaires = new Questionnaires(context, new HashMap<>());
    boolean packaged = false;
    for (String argument : arguments) {
      packaged |= Files.isDirectory(Path.of(argument));
      for (Path file : filesOf(Path.of(argument))) {
        String text = Files.readString(file).replaceFirst("^\\uFEFF", "");
        IParser parser = text.stripLeading().startsWith("{") ? context.newJsonParser() : context.newXmlParser();
        IBaseResource resource = parser.parseResource(text);
        if (resource instanceof Questionnaire one) {
          questionnaires.byUrl.put(one.getUrl(), one);
        } else {
          more.addResource(resource);
        }
      }
    }
    UnknownCodeSystemWarningValidationSupport unknown = new UnknownCodeSystemWarningValidationSupport(context);
    unknown.setNonExistentCodeSystemSeverity(IValidationSupport.IssueSeverity.WARNING);
    ValidationSupportChain chain =
        new ValidationSupportChain(
            new DefaultProfileValidationSupport(context),
            more,
            questionnaires,
            new SnapshotGeneratingValidationSupport(context),
            new InMemoryTerminologyServerValidationSupport(context),
            new CommonCodeSystemsTerminologyService(context),
            unknown);
    // here, one after the other: the engine's cache waits for itself where one profile's snapshot needs another's
    for (Object known : List.copyOf(more.fetchAllStructureDefinitions())) {
      if (known instanceof StructureDefinition profile && !profile.hasSnapshot()) {
        more.addStructureDefinition(chain.generateSnapshot(new ValidationSupportContext(chain), profile, null, null, null));
      }
    }
    FhirInstanceValidator engine = new FhirInstanceValidator(new CachingValidationSupport(chain));
    engine.setAnyExtensionsAllowed(true);
    engine.setErrorForUnknownProfiles(true);
    engine.setBestPracticeWarningLevel(BestPracticeWarningLevel.Ignore);
    if (packaged) {
      // the engine asks it which versions there are of what a ConceptMap names, and fails without an answer
      engine.setValidatorResourceFetcher(nothing());
    }
    FhirValidator validator = context.newValidator().registerValidatorModule(engine);

    BufferedReader in = new BufferedReader(new InputStreamReader(System.in, StandardCharsets.UTF_8));
    int count = 0;
    for (String line = in.readLine(); line != null; line = in.readLine()) {
      try {
        for (SingleValidationMessage message : validator.validateWithResult(line).getMessages()) {
          write(out, count, message);
        }
      } catch (RuntimeException | Error error) {
        // what the engine cannot read at all it refuses with an exception
        out.println(count + "\tFATAL\t\trefused\t" + clean(error.getMessage()));
      }
      count++;
    }
    out.println("judged\t" + count);
  }

  /** The questionnaires that responses are held against, by url. */
  private record Questionnaires(FhirContext context, Map<String, Questionnaire> byUrl) implements IValidationSupport {
    @Override
    public FhirContext getFhirContext() {
      return context;
    }

    @Override
    public <T extends IBaseResource> T fetchResource(Class<T> wanted, String url) {
      return wanted == Questionnaire.class ? wanted.cast(byUrl.get(url)) : null;
    }
  }

  private static final Pattern KNOWN =
      Pattern.compile("(StructureDefinition|ValueSet|CodeSystem|Questionnaire)-.*\\.json");

  private static List<Path> filesOf(Path path) throws IOException {
    if (!Files.isDirectory(path)) {
      return List.of(path);
    }
    try (Stream<Path> files = Files.list(path)) {
      return files.filter(file -> KNOWN.matcher(file.getFileName().toString()).matches()).sorted().toList();
    }
  }

  /** A fetcher that has nothing to fetch from. */
  private static IValidatorResourceFetcher nothing() {
    return (IValidatorResourceFetcher)
        Proxy.newProxyInstance(
            Judge.class.getClassLoader(),
            new Class<?>[] {IValidatorResourceFetcher.class},
            (proxy, method, given) -> {
              Class<?> type = method.getReturnType();
              if (type == boolean.class) {
                return true;
              }
              return Set.class.isAssignableFrom(type) ? Set.of() : null;
            });
  }

  private static void write(PrintStream out, int count, SingleValidationMessage message) {
    String severity = String.valueOf(message.getSeverity());
    String place = String.valueOf(message.getLocationString());
    String id = String.valueOf(message.getMessageId());
    out.println(String.join("\t", String.valueOf(count), severity, place, id, clean(message.getMessage())));
  }

  private static String clean(String text) {
    return String.valueOf(text).replaceAll("\\s+", " ");
  }
}
