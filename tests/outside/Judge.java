import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.DefaultProfileValidationSupport;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.validation.FhirValidator;
import ca.uhn.fhir.validation.SingleValidationMessage;
import java.io.BufferedReader;
import java.io.InputStreamReader;
import java.io.PrintStream;
import java.nio.charset.StandardCharsets;
import org.hl7.fhir.common.hapi.validation.support.CommonCodeSystemsTerminologyService;
import org.hl7.fhir.common.hapi.validation.support.InMemoryTerminologyServerValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.UnknownCodeSystemWarningValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.ValidationSupportChain;
import org.hl7.fhir.common.hapi.validation.validator.FhirInstanceValidator;

/**
 * The validation engine of the standard (org.hl7.fhir.validation, as HAPI FHIR packs it) over resources on standard
 * input, one JSON or XML document a line. Writes one line a message: number of the resource, severity, place, message id,
 * message, separated by tabs; at the end "judged" and how many. Terminology is what R4 itself defines: LOINC and
 * SNOMED CT codes are not looked up (unknown code systems are warnings).
 */
public class Judge {
  public static void main(String[] arguments) throws Exception {
    FhirContext context = FhirContext.forR4();
    UnknownCodeSystemWarningValidationSupport unknown = new UnknownCodeSystemWarningValidationSupport(context);
    unknown.setNonExistentCodeSystemSeverity(IValidationSupport.IssueSeverity.WARNING);
    ValidationSupportChain chain =
        new ValidationSupportChain(
            new DefaultProfileValidationSupport(context),
            new InMemoryTerminologyServerValidationSupport(context),
            new CommonCodeSystemsTerminologyService(context),
            unknown);
    FhirInstanceValidator engine = new FhirInstanceValidator(chain);
    engine.setAnyExtensionsAllowed(true);
    engine.setErrorForUnknownProfiles(true);
    FhirValidator validator = context.newValidator().registerValidatorModule(engine);

    PrintStream out = new PrintStream(System.out, true, StandardCharsets.UTF_8);
    BufferedReader in = new BufferedReader(new InputStreamReader(System.in, StandardCharsets.UTF_8));
    int count = 0;
    for (String line = in.readLine(); line != null; line = in.readLine()) {
      for (SingleValidationMessage message : validator.validateWithResult(line).getMessages()) {
        String text = String.valueOf(message.getMessage()).replaceAll("\\s+", " ");
        out.println(
            String.join(
                "\t",
                String.valueOf(count),
                String.valueOf(message.getSeverity()),
                String.valueOf(message.getLocationString()),
                String.valueOf(message.getMessageId()),
                text));
      }
      count++;
    }
    out.println("judged\t" + count);
  }
}
